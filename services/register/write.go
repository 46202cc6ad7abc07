package register

import (
	"bytes"
	"cmp"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json/jsontext"

	"spoilbook/events"
	book "spoilbook/reports/register"
)

// Standing returns the revisions of b that have not been replaced by a later one
// for the same time, by register, key and time.
func Standing(b *book.Book) []events.RegisterRevised {
	var revs []events.RegisterRevised
	for _, reg := range events.Registers() {
		for _, key := range b.Keys(reg) {
			history := b.History(reg, key)
			for i, rev := range history {
				if i+1 < len(history) && history[i+1].From.UnixMS == rev.From.UnixMS {
					continue
				}
				revs = append(revs, revised(rev))
			}
		}
	}
	return revs
}

// revised returns the payload that brought rev.
func revised(rev book.Revision) events.RegisterRevised {
	return events.RegisterRevised{Key: rev.Key, EffectiveFrom: rev.From, Author: rev.Author, Note: rev.Note, Document: rev.Document}
}

// Write returns revs as register files by name, one for each register
// ("truck.yaml"), with entries by key and time. [Read] of the files returns the
// same revisions, each file's in that order.
func Write(revs []events.RegisterRevised) (map[string][]byte, error) {
	byRegister := map[events.Register][]events.RegisterRevised{}
	for _, rev := range revs {
		if rev.Document == nil {
			return nil, fmt.Errorf("write register files: entry %q has no document", rev.Key)
		}
		reg := rev.Document.Register()
		byRegister[reg] = append(byRegister[reg], rev)
	}
	files := map[string][]byte{}
	for reg, list := range byRegister {
		slices.SortStableFunc(list, func(a, b events.RegisterRevised) int {
			return cmp.Or(cmp.Compare(a.Key, b.Key), cmp.Compare(a.EffectiveFrom.UnixMS, b.EffectiveFrom.UnixMS))
		})
		var w writer
		if err := w.file(reg, list); err != nil {
			return nil, fmt.Errorf("write register files: %s: %w", reg, err)
		}
		files[string(reg)+".yaml"] = w.Bytes()
	}
	return files, nil
}

// writer writes the small part of YAML that the files need: block mappings and
// lists, plain words, and text in JSON's quotes wherever it is not plainly a word.
type writer struct{ bytes.Buffer }

func (w *writer) file(reg events.Register, list []events.RegisterRevised) error {
	shared := list[0].Author
	if slices.ContainsFunc(list, func(r events.RegisterRevised) bool { return r.Author != shared }) {
		shared = ""
	}
	w.pair(0, "register", string(reg))
	if shared != "" {
		w.pair(0, "author", shared)
	}
	w.WriteString("entries:\n")
	for _, rev := range list {
		w.WriteString("  - ")
		w.pair(0, "key", rev.Key)
		w.pair(4, "effectiveFrom", rev.EffectiveFrom.String())
		if shared == "" {
			w.pair(4, "author", rev.Author)
		}
		if rev.Note != "" {
			w.pair(4, "note", rev.Note)
		}
		w.WriteString("    document:")
		if err := w.value(6, reflect.ValueOf(rev.Document)); err != nil {
			return fmt.Errorf("entry %s: %w", rev.Key, err)
		}
	}
	return nil
}

// pair writes a member that holds text.
func (w *writer) pair(indent int, name, text string) {
	w.indent(indent)
	w.WriteString(name + ": ")
	w.text(text)
	w.WriteByte('\n')
}

// value writes what follows a name and its colon up to the end of the line;
// members and items go below, indented.
func (w *writer) value(indent int, v reflect.Value) error {
	switch {
	case v.Kind() == reflect.Slice && v.Len() > 0:
		w.WriteByte('\n')
		for i := range v.Len() {
			w.indent(indent)
			w.WriteByte('-')
			if err := w.item(indent+2, v.Index(i)); err != nil {
				return err
			}
		}
		return nil
	case v.Kind() == reflect.Struct:
		return w.members(indent, v, "\n"+strings.Repeat(" ", indent))
	}
	return w.scalar(v)
}

// item writes what follows a list's dash: the first member of an object stands
// beside the dash.
func (w *writer) item(indent int, v reflect.Value) error {
	if v.Kind() == reflect.Struct {
		return w.members(indent, v, " ")
	}
	return w.scalar(v)
}

func (w *writer) scalar(v reflect.Value) error {
	w.WriteByte(' ')
	switch v.Kind() {
	case reflect.String:
		w.text(v.String())
	case reflect.Int64:
		w.WriteString(strconv.FormatInt(v.Int(), 10))
	case reflect.Bool:
		w.WriteString(strconv.FormatBool(v.Bool()))
	case reflect.Slice:
		w.WriteString("[]")
	default:
		return fmt.Errorf("cannot write a %s", v.Type())
	}
	w.WriteByte('\n')
	return nil
}

// members writes the members of an object, with lead before the first of them.
func (w *writer) members(indent int, v reflect.Value, lead string) error {
	before := lead
	for i := range v.NumField() {
		f := v.Type().Field(i)
		if strings.Contains(f.Tag.Get("json"), ",omitzero") && v.Field(i).IsZero() {
			continue
		}
		w.WriteString(before + jsonName(f) + ":")
		if err := w.value(indent+2, v.Field(i)); err != nil {
			return err
		}
		before = strings.Repeat(" ", indent)
	}
	if before == lead {
		w.WriteString(" {}\n")
	}
	return nil
}

func (w *writer) indent(n int) { w.WriteString(strings.Repeat(" ", n)) }

func (w *writer) text(s string) {
	if plain(s) {
		w.WriteString(s)
		return
	}
	quoted, err := jsontext.AppendQuote(nil, s)
	if err != nil { // not UTF-8: written with the replacement character, as JSON is
		quoted, _ = jsontext.AppendQuote(nil, strings.ToValidUTF8(s, "\uFFFD"))
	}
	w.Write(quoted)
}

// plain reports whether s reads as the same text in YAML without quotes: a letter
// or a date's digits first, then letters, digits and a few signs, single spaces
// inside, and no word that YAML gives a meaning.
func plain(s string) bool {
	switch strings.ToLower(s) {
	case "", "true", "false", "yes", "no", "on", "off", "y", "n", "null", "nan", "inf":
		return false
	}
	if _, err := events.ParseTime(s); err == nil {
		return true
	}
	for i := range len(s) {
		b := s[i]
		letter := b >= 'A' && b <= 'Z' || b >= 'a' && b <= 'z'
		inner := b >= '0' && b <= '9' || strings.IndexByte("-_/.,()", b) >= 0 || b == ' ' && i < len(s)-1
		if !letter && (i == 0 || !inner) {
			return false
		}
	}
	return true
}
