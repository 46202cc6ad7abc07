package ledger

import (
	"fmt"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/axles"
	"spoilbook/reports/manifest"
	"spoilbook/reports/tank"
	"spoilbook/reports/workrest"
)

// Choices are what can be chosen in how a report is computed. The zero value is the
// usual way. A choice that a report does not have is refused, because whoever makes
// it would take the figures for something that they are not. For example
//
//	ReportQuery{Name: "manifest", Choices: Choices{Allocation: FirstInFirstOut}, ...}
//
// shares every tip over the loads in the tank from the oldest on.
type Choices struct {
	Profile    string // manifest: completeness profile; empty means the general one
	Rest       string // timesplit: rules of work and rest; empty means the usual ones
	Allocation string // one of Allocations, how a tip is shared over the loads in the tank; empty means ProRata
	AxleRule   string // axles: one of AxleRules; empty means AxlesPermitted
	AltitudeM  int64  // care: of the sites above sea level, for the deepest vacuum there can be
}

// How a tip is shared over the loads in the tank.
const (
	ProRata         = "pro-rata"           // by mass, the tank being well mixed
	FirstInFirstOut = "first-in-first-out" // the oldest load first
)

// Allocations lists the ways to share a tip, the usual one first.
func Allocations() []string { return []string{ProRata, FirstInFirstOut} }

// What axles are held against.
const (
	AxlesPermitted = "permitted"            // the permitted masses of the register
	AxlesBridge    = string(axles.USBridge) // the US bridge formula too
)

// AxleRules lists what axles can be held against, the usual first.
func AxleRules() []string { return []string{AxlesPermitted, AxlesBridge} }

// String lists what was chosen: "general, pro-rata".
func (c Choices) String() string {
	words := []string{}
	for _, one := range c.list() {
		if *one.value != "" {
			words = append(words, *one.value)
		}
	}
	if c.AltitudeM != 0 {
		words = append(words, fmt.Sprintf("%d m", c.AltitudeM))
	}
	return strings.Join(words, ", ")
}

// choice is one of the choices: which reports have it and what it can be.
type choice struct {
	name    string
	value   *string
	words   []string // the usual one first
	reports []string
}

func (c *Choices) list() []choice {
	profiles := []string{}
	for _, p := range manifest.Profiles() {
		profiles = append(profiles, string(p))
	}
	return []choice{
		{"profile", &c.Profile, profiles, []string{"manifest"}},
		{"rest", &c.Rest, workrest.Names(), []string{"timesplit"}},
		{"allocation", &c.Allocation, Allocations(), []string{"manifest", "water", "timesplit", "billable", "axles"}},
		{"axle-rule", &c.AxleRule, AxleRules(), []string{"axles"}},
	}
}

// settled returns the choices with what was left out put in, for the report of that
// name, and refuses those that do not exist or that it does not have.
func (c Choices) settled(report string) (Choices, error) {
	for _, one := range c.list() {
		has := slices.Contains(one.reports, report)
		switch {
		case *one.value == "" && has:
			*one.value = one.words[0]
		case *one.value != "" && !slices.Contains(one.words, *one.value):
			return c, Fail(BadRequest, "%s: found %q; allowed: %s", one.name, *one.value, strings.Join(one.words, ", "))
		case *one.value != "" && !has:
			return c, Fail(BadRequest, "%s: report %s does not have this choice; %s", one.name, report, havers(one.reports))
		}
	}
	switch {
	case c.AltitudeM != 0 && report != "care":
		return c, Fail(BadRequest, "altitude-m: report %s does not have this choice; %s", report, havers([]string{"care"}))
	case c.AltitudeM < events.MinAltitudeM || c.AltitudeM > events.MaxAltitudeM:
		return c, Fail(BadRequest, "altitude-m: found %d; allowed: %d to %d metres above sea level", c.AltitudeM, events.MinAltitudeM, events.MaxAltitudeM)
	}
	return c, nil
}

func havers(names []string) string {
	if len(names) == 1 {
		return "only " + names[0] + " has it"
	}
	return "only " + strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1] + " have it"
}

// tank returns the rules by which tanks are kept.
func (c *Choices) tank() tank.Options {
	return tank.Options{FirstInFirstOut: c.Allocation == FirstInFirstOut}
}

// axles returns what axles are held against.
func (c *Choices) axles() axles.Rule {
	if c.AxleRule == AxlesBridge {
		return axles.USBridge
	}
	return axles.Permitted
}

// basis says on a report's cover what was chosen, where the report does not say so
// itself.
func (c *Choices) basis(report string) []reports.Field {
	fields := []reports.Field{}
	if c.Allocation != "" && report != "manifest" {
		text := "by mass, the tank being well mixed (" + ProRata + ")"
		if c.Allocation == FirstInFirstOut {
			text = "the oldest load first (" + FirstInFirstOut + ")"
		}
		fields = append(fields, reports.Field{Label: "Shares of a tip", Text: text})
	}
	switch c.AxleRule {
	case AxlesPermitted:
		fields = append(fields, reports.Field{Label: "Axles held against", Text: "the permitted masses of the register (" + AxlesPermitted + ")"})
	case AxlesBridge:
		fields = append(fields, reports.Field{Label: "Axles held against", Text: "the permitted masses of the register and the US bridge formula, 23 U.S.C. 127 (" + AxlesBridge + ")"})
	}
	if report == "care" {
		text := fmt.Sprintf("%d m above sea level", c.AltitudeM)
		if c.AltitudeM == 0 {
			text = "sea level, where no altitude was given"
		}
		fields = append(fields, reports.Field{Label: "Altitude of the sites", Text: text})
	}
	return fields
}
