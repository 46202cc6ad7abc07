// Package fields is a register entry as people fill it in: its members as a flat list of fields with a label, a unit and what can be chosen,
// made from the types of package events, so that a page and a workbook ask for the same. For example a truck whose tank gauge is within
// 50 thousandths of its reading has the field
//
//	Field{Path: "levelTolerancePermille", Label: "Tolerance of the tank gauge", Unit: "%", Kind: Whole, Scale: 1}
//
// with the value "5" or "5.0", and a truck's second axle the values "axles.1.name", "axles.1.tareKg" and so on. [Schema.Values] and
// [Schema.Document] are each other's inverse.
package fields

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"spoilbook/events"
	"spoilbook/events/wire"
)

// Kind says what a field is filled in with.
type Kind int

// The kinds.
const (
	Text   Kind = iota
	Whole       // a number with Scale decimals
	Amount      // a decimal number that is kept as it is written
	YesNo       // "yes" or "no"
	Date        // "2026-10-05"
	Choice      // one of Choices
	Key         // a key of Register
	Words       // several, with commas between them; of Choices where there are some
)

// Field is one member of an entry, or of an item of a list.
type Field struct {
	Path     string // within the entry, or within the item
	Label    string
	Unit     string
	Kind     Kind
	Scale    int
	Choices  []string
	Register events.Register
	Needed   bool
}

// Group is a list of items within an entry.
type Group struct {
	Path   string
	Label  string
	Item   string // what one of them is called
	Fields []Field
}

// Schema is what is asked for in a register.
type Schema struct {
	Register events.Register
	Fields   []Field
	Groups   []Group
}

// Of returns the schema of a register. It panics on a register or a member that has no label, which tests look for.
func Of(r events.Register) Schema {
	s := Schema{Register: r}
	s.walk(reflect.TypeOf(events.NewDocument(r)).Elem(), "", false)
	return s
}

// walk adds the members of a struct, those of structs within it by their path. An inner struct can be left out as a whole.
func (s *Schema) walk(t reflect.Type, before string, optional bool) {
	for f := range t.Fields() {
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		path := before + name
		left := optional || strings.Contains(options, "omitzero")
		switch {
		case f.Type.Kind() == reflect.Struct:
			s.walk(f.Type, path+".", true)
		case f.Type.Kind() == reflect.Slice && f.Type.Elem().Kind() == reflect.Struct:
			inner := Schema{Register: s.Register}
			inner.walkItem(f.Type.Elem(), path)
			label := labelOf(s.Register, path)
			s.Groups = append(s.Groups, Group{Path: path, Label: label.label, Item: label.unit, Fields: inner.Fields})
		default:
			s.Fields = append(s.Fields, s.field(f.Type, path, path, !left))
		}
	}
}

func (s *Schema) walkItem(t reflect.Type, group string) {
	for f := range t.Fields() {
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		s.Fields = append(s.Fields, s.field(f.Type, name, group+"."+name, !strings.Contains(options, "omitzero")))
	}
}

// field describes a member of a type; labelled is its path for the label.
func (s *Schema) field(t reflect.Type, path, labelled string, needed bool) Field {
	l := labelOf(s.Register, labelled)
	f := Field{Path: path, Label: l.label, Unit: l.unit, Scale: l.scale, Needed: needed}
	switch {
	case t.Kind() == reflect.Bool:
		f.Kind, f.Needed = YesNo, false
	case t.Kind() == reflect.Int64:
		f.Kind = Whole
	case t.Kind() == reflect.Slice:
		f.Kind, f.Choices = Words, choicesOf(t.Elem(), labelled)
		f.Needed = needed && labelled == "bands.days"
	case t == reflect.TypeFor[events.Decimal]():
		f.Kind = Amount
	case l.date:
		f.Kind = Date
	default:
		f.Register = registerOf(t, s.Register, path)
		f.Choices = choicesOf(t, labelled)
		if f.Register != "" {
			f.Kind = Key
		} else if f.Choices != nil {
			f.Kind = Choice
		}
	}
	return f
}

// registerOf returns the register that a member's type names keys of.
func registerOf(t reflect.Type, of events.Register, path string) events.Register {
	switch t {
	case reflect.TypeFor[events.ClientID]():
		return events.ClientRegister
	case reflect.TypeFor[events.RateCardID]():
		return events.RateCardRegister
	case reflect.TypeFor[events.MaterialID]():
		return events.MaterialRegister
	case reflect.TypeFor[events.CalendarID]():
		return events.CalendarRegister
	case reflect.TypeFor[events.TaxID]():
		return events.TaxRegister
	}
	if of == events.TruckRegister && path == "carrier" {
		return events.CarrierRegister
	}
	return ""
}

func words[T ~string](list ...T) []string {
	out := make([]string, len(list))
	for i, w := range list {
		out[i] = string(w)
	}
	return out
}

// choicesOf returns the words that a member can hold, nil where it holds any text.
func choicesOf(t reflect.Type, labelled string) []string {
	switch t {
	case reflect.TypeFor[events.FacilityClass]():
		return words(events.LandfillClass, events.LiquidTreatmentClass, events.SoilRecoveryClass)
	case reflect.TypeFor[events.WaterSourceUse]():
		return words(events.MainsStandpipe, events.BoreSource, events.SurfaceSource, events.YardSource, events.RecycledSource)
	case reflect.TypeFor[events.Activity]():
		return words(events.Activities()...)
	case reflect.TypeFor[events.StandbyCause]():
		return words(events.StandbyCauses()...)
	case reflect.TypeFor[events.Attribution]():
		return words(events.ByCarrier, events.ByClient, events.ByThirdParty, events.ByUnknown)
	}
	switch labelled {
	case "minimum.per":
		return []string{"visit", "day"}
	case "rounding.mode":
		return []string{"up", "nearest", "none"}
	case "rounding.per":
		return []string{"line", "visit", "day"}
	case "spoil.per":
		return []string{"tonne", "m3"}
	case "fees.per":
		return []string{"visit", "tip", "day"}
	case "taxPer":
		return []string{"line", "invoice"}
	case "moneyRounding":
		return []string{"half-up", "half-even"}
	case "bands.days":
		return []string{"mon", "tue", "wed", "thu", "fri", "sat", "sun", "holiday"}
	}
	return nil
}

// Values returns what an entry says by path. What is zero and can be left out is left out.
func (s *Schema) Values(d events.Document) (map[string]string, error) {
	text, err := json.Marshal(d)
	if err != nil {
		return nil, fmt.Errorf("register entry: %w", err)
	}
	var tree map[string]any
	decoder := json.NewDecoder(strings.NewReader(string(text)))
	decoder.UseNumber()
	if err := decoder.Decode(&tree); err != nil {
		return nil, fmt.Errorf("register entry: %w", err)
	}
	out := map[string]string{}
	for i := range s.Fields {
		set(out, s.Fields[i].Path, s.Fields[i].text(at(tree, s.Fields[i].Path)))
	}
	for _, g := range s.Groups {
		list, _ := at(tree, g.Path).([]any)
		for n, item := range list {
			members, _ := item.(map[string]any)
			for i := range g.Fields {
				set(out, ItemPath(g.Path, n, g.Fields[i].Path), g.Fields[i].text(members[g.Fields[i].Path]))
			}
		}
	}
	return out, nil
}

func set(out map[string]string, path, text string) {
	if text != "" {
		out[path] = text
	}
}

// ItemPath is the path of a field of the n-th item of a list, from 0.
func ItemPath(group string, n int, field string) string {
	return group + "." + strconv.Itoa(n) + "." + field
}

func at(tree map[string]any, path string) any {
	first, rest, inner := strings.Cut(path, ".")
	if !inner {
		return tree[path]
	}
	below, _ := tree[first].(map[string]any)
	return at(below, rest)
}

// text writes a value of JSON as the field is filled in.
func (f *Field) text(v any) string {
	switch v := v.(type) {
	case string:
		return v
	case bool:
		if v {
			return "yes"
		}
		return "no"
	case json.Number:
		if v == "0" && !f.Needed {
			return ""
		}
		return scaled(v.String(), f.Scale)
	case []any:
		list := make([]string, len(v))
		for i := range v {
			list[i], _ = v[i].(string)
		}
		return strings.Join(list, ", ")
	}
	return ""
}

// scaled puts a point before the last digits of a whole number, and takes zeros behind it away.
func scaled(digits string, scale int) string {
	if scale == 0 {
		return digits
	}
	sign := ""
	if strings.HasPrefix(digits, "-") {
		sign, digits = "-", digits[1:]
	}
	for len(digits) <= scale {
		digits = "0" + digits
	}
	text := strings.TrimRight(digits[:len(digits)-scale]+"."+digits[len(digits)-scale:], "0")
	return sign + strings.TrimSuffix(text, ".")
}

// Items returns how many items of a list values speak of.
func (g *Group) Items(values map[string]string) int {
	n := 0
	for path := range values {
		rest, ok := strings.CutPrefix(path, g.Path+".")
		if !ok {
			continue
		}
		number, _, _ := strings.Cut(rest, ".")
		if k, err := strconv.Atoi(number); err == nil && k >= 0 && k < maxItems {
			n = max(n, k+1)
		}
	}
	return n
}

// maxItems is more than any list of an entry has.
const maxItems = 500

// Document returns the entry that values say, or what is wrong with them, each by its path. Items of lists in which nothing is filled in are
// left out.
func (s *Schema) Document(values map[string]string) (events.Document, []events.FieldError) {
	b := &builder{values: values, tree: map[string]any{}, paths: map[string]string{}}
	for i := range s.Fields {
		b.put(b.tree, &s.Fields[i], s.Fields[i].Path, s.Fields[i].Path)
	}
	for i := range s.Groups {
		b.items(&s.Groups[i])
	}
	if len(b.wrong) > 0 {
		return nil, b.wrong
	}
	text, err := json.Marshal(b.tree)
	if err != nil {
		return nil, []events.FieldError{{Found: err.Error(), Allowed: "an entry of the register"}}
	}
	d, err := wire.DecodeDocument(s.Register, text, "document")
	if err == nil {
		c := &events.Check{}
		d.Check(c)
		err = c.Err()
	}
	if err == nil {
		return d, nil
	}
	var invalid *events.ValidationError
	if !errors.As(err, &invalid) {
		return nil, []events.FieldError{{Found: err.Error(), Allowed: "an entry of the register"}}
	}
	for _, f := range invalid.Fields {
		f.Field = b.original(strings.TrimPrefix(f.Field, "document."))
		b.wrong = append(b.wrong, f)
	}
	return nil, b.wrong
}

// builder makes the JSON of an entry.
type builder struct {
	values map[string]string
	tree   map[string]any
	paths  map[string]string // of items as they will be numbered to items as they were
	wrong  []events.FieldError
}

// original returns the path as it was filled in.
func (b *builder) original(path string) string {
	for from, to := range b.paths {
		if rest, ok := strings.CutPrefix(path, from+"."); ok {
			return to + "." + rest
		}
	}
	return path
}

func (b *builder) items(g *Group) {
	var list []any
	for n := range g.Items(b.values) {
		item := map[string]any{}
		filled := slices.ContainsFunc(g.Fields, func(f Field) bool {
			v := strings.TrimSpace(b.values[ItemPath(g.Path, n, f.Path)])
			return v != "" && (f.Kind != YesNo || v == "yes")
		})
		if !filled {
			continue
		}
		for i := range g.Fields {
			b.put(item, &g.Fields[i], g.Fields[i].Path, ItemPath(g.Path, n, g.Fields[i].Path))
		}
		b.paths[g.Path+"."+strconv.Itoa(len(list))] = g.Path + "." + strconv.Itoa(n)
		list = append(list, item)
	}
	if list != nil || g.Path == "rates" || g.Path == "holidays" {
		b.tree[g.Path] = append([]any{}, list...)
	}
}

// put puts the value of a field where it belongs.
func (b *builder) put(tree map[string]any, f *Field, path, from string) {
	text := strings.TrimSpace(b.values[from])
	v, problem := f.value(text)
	if problem != "" {
		b.wrong = append(b.wrong, events.FieldError{Field: from, Found: strconv.Quote(text), Allowed: problem})
		return
	}
	if v == nil {
		return
	}
	for {
		first, rest, inner := strings.Cut(path, ".")
		if !inner {
			tree[path] = v
			return
		}
		below, ok := tree[first].(map[string]any)
		if !ok {
			below = map[string]any{}
			tree[first] = below
		}
		tree, path = below, rest
	}
}

// value reads what a field was filled in with; nil where it was left out.
func (f *Field) value(text string) (v any, problem string) {
	switch f.Kind {
	case Whole:
		if text == "" {
			if f.Needed {
				return json.Number("0"), "" // its check says what is allowed
			}
			return nil, ""
		}
		n, ok := unscaled(text, f.Scale)
		if !ok {
			return nil, cmp.Or(map[bool]string{true: "a number with at most " + strconv.Itoa(f.Scale) + " decimals"}[f.Scale > 0], "a whole number")
		}
		return json.Number(n), ""
	case YesNo:
		switch strings.ToLower(text) {
		case "", "no":
			return nil, ""
		case "yes":
			return true, ""
		}
		return nil, "yes or no"
	case Words:
		list := []string{}
		for part := range strings.SplitSeq(text, ",") {
			if part = strings.TrimSpace(part); part != "" {
				list = append(list, part)
			}
		}
		if len(list) == 0 && f.Path != "acceptedCodes" && f.Path != "days" {
			return nil, ""
		}
		return list, ""
	case Amount:
		if text != "" && !strings.Contains(text, ".") {
			text = strings.Replace(text, ",", ".", 1)
		}
	}
	if text == "" && !f.Needed {
		return nil, ""
	}
	return text, ""
}

// unscaled reads a number with at most scale decimals as a whole number.
func unscaled(text string, scale int) (string, bool) {
	if !strings.Contains(text, ".") {
		text = strings.Replace(text, ",", ".", 1)
	}
	sign := ""
	if strings.HasPrefix(text, "-") {
		sign, text = "-", text[1:]
	}
	whole, decimals, _ := strings.Cut(text, ".")
	decimals = strings.TrimRight(decimals, "0")
	if whole == "" || len(decimals) > scale || len(whole) > 15 || strings.Trim(whole+decimals, "0123456789") != "" {
		return "", false
	}
	n, err := strconv.ParseInt(whole+decimals+strings.Repeat("0", scale-len(decimals)), 10, 64)
	return sign + strconv.FormatInt(n, 10), err == nil
}
