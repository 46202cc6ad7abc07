// Package tongue says things in the language of who reads them. What is said is written in the code in plain English, which is also the key
// under which its translation stands in a file of this package:
//
//	tongue.Of("de").Say("%d more are in the workbook.", 3) // "3 weitere stehen in der Arbeitsmappe."
//
// A text that has no translation is said in English. Numbers among the arguments are written as the language writes them. Texts are of people's
// screens and papers only: codes, keys of columns, events and messages between programs stay as they are.
package tongue

import (
	"embed"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"sync"

	"github.com/goccy/go-yaml"
	"golang.org/x/text/language"
	"golang.org/x/text/message"
)

//go:embed de
var files embed.FS

// Tongue is a language. The zero value is English.
type Tongue struct{ code string }

// English is the language the texts are written in.
const English = "en"

// Language is one that can be chosen, with its own name for itself.
type Language struct{ Code, Name string }

// Languages lists the languages that can be chosen.
func Languages() []Language { return []Language{{English, "English"}, {"de", "Deutsch"}} }

// Codes lists the codes of the languages that can be chosen.
func Codes() []string {
	var codes []string
	for _, l := range Languages() {
		codes = append(codes, l.Code)
	}
	return codes
}

// Of returns the first of the languages asked for that is spoken here, codes of BCP 47 or whole Accept-Language headers; English otherwise.
func Of(wanted ...string) Tongue {
	tags := make([]language.Tag, 0, len(Languages()))
	for _, l := range Languages() {
		tags = append(tags, language.Make(l.Code))
	}
	_, k := language.MatchStrings(language.NewMatcher(tags), wanted...)
	return Tongue{Languages()[k].Code}
}

// Code returns the language's code: "en", "de".
func (t Tongue) Code() string {
	if t.code == "" {
		return English
	}
	return t.code
}

// Say returns a text in this language, filled in as fmt.Sprintf does where there are arguments.
func (t Tongue) Say(key string, args ...any) string {
	text, ok := translations()[t.Code()][key]
	if !ok {
		text = key
	}
	return t.fill(text, args)
}

// Write is Say for what stands in reports and workbooks, whose texts have files of their own, in the folder reports: a word can have another
// sense there than on a screen. A text that those do not have is as Say says it. Arguments are written as fmt.Sprintf does.
func (t Tongue) Write(key string, args ...any) string {
	text, ok := translations()[t.Code()+"/reports"][key]
	if !ok {
		if text, ok = translations()[t.Code()][key]; !ok {
			text = key
		}
	}
	if len(args) == 0 {
		return text
	}
	return fmt.Sprintf(text, args...)
}

func (t Tongue) fill(text string, args []any) string {
	if len(args) == 0 {
		return text
	}
	return message.NewPrinter(language.Make(t.Code())).Sprintf(text, args...)
}

// Knows reports whether there is a text in this language under a key.
func (t Tongue) Knows(key string) bool {
	_, ok := translations()[t.Code()][key]
	return ok || t.Code() == English
}

// Writes reports whether there is a text in this language under a key of reports and workbooks.
func (t Tongue) Writes(key string) bool {
	_, ok := translations()[t.Code()+"/reports"][key]
	return ok || t.Knows(key)
}

// WrittenKeys lists what is translated into this language for reports and workbooks, in order.
func (t Tongue) WrittenKeys() []string {
	return slices.Sorted(maps.Keys(translations()[t.Code()+"/reports"]))
}

// Keys lists what is translated into this language for screens, in order.
func (t Tongue) Keys() []string { return slices.Sorted(maps.Keys(translations()[t.Code()])) }

// Number rewrites a number that was written the English way, "3,304.35 m³", as this language writes it.
func (t Tongue) Number(text string) string {
	if t.Code() != "de" {
		return text
	}
	return strings.Map(func(r rune) rune {
		switch r {
		case ',':
			return '.'
		case '.':
			return ','
		}
		return r
	}, text)
}

// translations are the texts by language and key. A file that can not be read is a fault of the program.
var translations = sync.OnceValue(func() map[string]map[string]string {
	all := map[string]map[string]string{}
	err := fs.WalkDir(files, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := files.ReadFile(path)
		if err != nil {
			return err
		}
		some := map[string]string{}
		if err := yaml.Unmarshal(text, &some); err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		code, _, _ := strings.Cut(path, "/")
		if strings.HasPrefix(path, code+"/reports/") {
			code += "/reports"
		}
		if all[code] == nil {
			all[code] = map[string]string{}
		}
		for key, says := range some {
			if _, twice := all[code][key]; !twice { // a test finds what is said in two ways
				all[code][key] = says
			}
		}
		return nil
	})
	if err != nil {
		panic("tongue: " + err.Error())
	}
	return all
})

// Day rewrites a day, with or without a time, that was written "2026-10-05 07:40" as this language writes it: "05.10.2026 07:40".
func (t Tongue) Day(text string) string {
	const day = "2006-01-02"
	if t.Code() != "de" || len(text) < len(day) || text[4] != '-' || text[7] != '-' {
		return text
	}
	return text[8:10] + "." + text[5:7] + "." + text[:4] + text[10:]
}
