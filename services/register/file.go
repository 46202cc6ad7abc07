package register

import "spoilbook/events"

// Limits of what is read at once. They are far above what a fleet needs and keep
// a mistaken path from filling memory.
const (
	MaxFiles     = 500
	MaxFileBytes = 4 << 20
	MaxEntries   = 20_000
	MaxProblems  = 100
)

// file is one YAML file. Author, TimeZone and EffectiveFrom hold for the entries
// that do not say otherwise.
type file struct {
	Register      events.Register `yaml:"register"`
	Author        string          `yaml:"author"`
	TimeZone      string          `yaml:"timeZone"`
	EffectiveFrom string          `yaml:"effectiveFrom"`
	Entries       []entry         `yaml:"entries"`
}

// entry is one revision of one entry; Document is of the file's register.
type entry struct {
	Key           string          `yaml:"key"`
	EffectiveFrom string          `yaml:"effectiveFrom"`
	Author        string          `yaml:"author"`
	Note          string          `yaml:"note"`
	Document      events.Document `yaml:"document"`
}
