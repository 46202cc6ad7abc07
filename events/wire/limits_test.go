package wire_test

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"spoilbook/events"
)

// limit is what validation says of a field: the words or the form of a text, the
// least and greatest number, length of a text or count of a list's items.
type limit struct {
	words    []string
	pattern  string
	bounded  bool
	min, max int64
	unit     string
}

// limits are those of the fields of struct types, by type and JSON name. They are
// found by giving each field a value that cannot be right and reading what is
// allowed instead, so that the schema cannot say anything else than validation.
type limits map[reflect.Type]map[string]limit

const (
	idPattern     = `^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$`
	sourcePattern = `^/(truck|office)/[A-Za-z0-9][A-Za-z0-9_-]{0,39}$`
)

// textForms are the forms of text, by how validation describes them.
var textForms = []struct {
	says string
	limit
}{
	{"1 to 40 letters, digits", limit{pattern: idPattern}},
	{`"/truck/NAME"`, limit{pattern: sourcePattern}},
	{"a date such as", limit{pattern: `^[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])$`}},
	{`local "HH:MM"`, limit{pattern: `^(([01][0-9]|2[0-3]):[0-5][0-9]|24:00)$`}},
	{"a decimal number as text", limit{pattern: `^([0-9]{1,18}|[0-9]+\.[0-9]+)$`, bounded: true, min: 1, max: 19}},
	{"an ISO 4217 code", limit{pattern: `^[A-Z]{3}$`}},
}

var (
	rangeOf = regexp.MustCompile(`^(-?\d+) to (-?\d+)(?: (characters|items)| \((.*)\))?$`)
	atMost  = regexp.MustCompile(`^at most (\d+)`)
	upTo    = regexp.MustCompile(`up to 2\^53$`)
	word    = regexp.MustCompile(`^[a-z0-9-]+$`)
)

// find adds the limits that check places on the fields of root, a pointer to a
// struct. Where a limit depends on another field, the widest is found: by setting
// the other numbers to zero, then to their greatest and to their least.
func (l limits) find(root reflect.Value, check func(c *events.Check)) error {
	fill(root.Elem())
	passes := []func(limit) int64{
		func(limit) int64 { return 0 },
		func(one limit) int64 { return one.max },
		func(one limit) int64 { return one.min },
	}
	rounds := make([]limits, len(passes))
	for i, others := range passes {
		rounds[i] = limits{}
		p := &probing{root: root.Elem(), check: check, known: rounds[0], others: others}
		var failed error
		p.visit = func(of reflect.Type, name string, v reflect.Value, path string) {
			failed = errors.Join(failed, p.probe(rounds[i], of, name, v, path))
		}
		p.object(root.Elem(), "")
		if failed != nil {
			return failed
		}
	}
	for t, members := range rounds[1] {
		l[t] = map[string]limit{}
		for name, one := range members {
			other := rounds[2][t][name]
			one.min, one.max = min(one.min, other.min), max(one.max, other.max)
			l[t][name] = one
		}
	}
	return nil
}

// fill gives v what it needs for every field to be reached. Texts are not empty,
// so that no object is taken for one left out.
func fill(v reflect.Value) {
	switch v.Kind() {
	case reflect.String:
		v.SetString("x")
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem())
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		fill(v.Index(0))
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i))
		}
	}
}

// probing walks one struct and visits each text, number and list in it.
type probing struct {
	root   reflect.Value
	check  func(c *events.Check)
	known  limits
	others func(limit) int64
	visit  func(of reflect.Type, name string, v reflect.Value, path string)
}

func (p *probing) object(v reflect.Value, path string) {
	for i := range v.NumField() {
		name := memberName(v.Type().Field(i))
		p.value(v.Type(), name, v.Field(i), strings.TrimPrefix(path+"."+name, "."))
	}
}

func (p *probing) value(of reflect.Type, name string, v reflect.Value, path string) {
	switch v.Kind() {
	case reflect.Pointer:
		p.value(of, name, v.Elem(), path)
	case reflect.String, reflect.Int64, reflect.Uint64:
		p.visit(of, name, v, path)
	case reflect.Slice:
		p.visit(of, name+"[]", v, path)
		p.value(of, name, v.Index(0), path+".0")
	case reflect.Struct:
		if v.Type() != reflect.TypeFor[events.Time]() {
			p.object(v, path)
		}
	}
}

// probe gives v a value that cannot be right, notes in found what is allowed
// instead, and puts v back.
func (p *probing) probe(found limits, of reflect.Type, name string, v reflect.Value, path string) error {
	before := reflect.ValueOf(v.Interface())
	defer v.Set(before)
	switch v.Kind() {
	case reflect.String:
		v.SetString(strings.Repeat("x", 500))
	case reflect.Int64:
		p.setOthers(p.root)
		v.SetInt(math.MinInt64)
	case reflect.Uint64:
		v.SetUint(math.MaxUint64)
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1000, 1000))
	}
	allowed := p.allowed(path)
	if allowed == "" && v.Kind() == reflect.Slice {
		return nil // bounded by the size of an event
	}
	one, err := parseLimit(allowed)
	if err != nil {
		return fmt.Errorf("%s.%s: %w", of, name, err)
	}
	if found[of] == nil {
		found[of] = map[string]limit{}
	}
	found[of][name] = one
	return nil
}

// allowed returns what validation says is allowed at path, "" when it accepts
// what is there.
func (p *probing) allowed(path string) string {
	c := &events.Check{}
	p.check(c)
	var invalid *events.ValidationError
	if errors.As(c.Err(), &invalid) {
		for _, f := range invalid.Fields {
			if f.Field == path {
				return f.Allowed
			}
		}
	}
	return ""
}

// setOthers gives every number what the pass wants of it.
func (p *probing) setOthers(v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer:
		if v.Elem().Kind() == reflect.Struct {
			p.setOthers(v.Elem())
		}
	case reflect.Slice:
		p.setOthers(v.Index(0))
	case reflect.Struct:
		for i := range v.NumField() {
			if f := v.Field(i); f.Kind() == reflect.Int64 {
				f.SetInt(p.others(p.known[v.Type()][memberName(v.Type().Field(i))]))
			} else if f.Type() != reflect.TypeFor[events.Time]() {
				p.setOthers(f)
			}
		}
	}
}

func parseLimit(allowed string) (limit, error) {
	if allowed == "" {
		return limit{}, errors.New("validation sets no limit")
	}
	for _, form := range textForms {
		if strings.HasPrefix(allowed, form.says) {
			return form.limit, nil
		}
	}
	if m := rangeOf.FindStringSubmatch(allowed); m != nil {
		least, errA := strconv.ParseInt(m[1], 10, 64)
		most, errB := strconv.ParseInt(m[2], 10, 64)
		return limit{bounded: true, min: least, max: most, unit: m[4]}, errors.Join(errA, errB)
	}
	if m := atMost.FindStringSubmatch(allowed); m != nil {
		most, err := strconv.ParseInt(m[1], 10, 64)
		return limit{bounded: true, max: most}, err
	}
	if upTo.MatchString(allowed) {
		return limit{bounded: true, max: 1 << 53}, nil
	}
	one := limit{}
	for _, w := range strings.Split(allowed, ", ") {
		switch {
		case word.MatchString(w):
			one.words = append(one.words, w)
		case w != "":
			return one, fmt.Errorf("cannot read what is allowed: %q", allowed)
		}
	}
	return one, nil
}

// memberName returns the JSON name of a field; fields that stand on the wire in
// another form have none and are named alike.
func memberName(f reflect.StructField) string {
	if name, _, _ := strings.Cut(f.Tag.Get("json"), ","); name != "" {
		return name
	}
	return strings.ToLower(f.Name[:1]) + f.Name[1:]
}

// What validation says it allows is what it allows: the least and the greatest
// number, length and count, and each word, are taken, and one more is not.
func TestLimitsAreTrue(t *testing.T) {
	tried := 0
	for _, k := range events.Kinds() {
		spec, _ := events.SpecOf(k)
		body := reflect.New(reflect.TypeOf(events.Deref(spec.New())))
		tried += tryLimits(t, body, func(c *events.Check) { body.Elem().Interface().(events.Body).Check(c) })
	}
	for _, r := range events.Registers() {
		document := reflect.ValueOf(events.NewDocument(r))
		tried += tryLimits(t, document, func(c *events.Check) { document.Elem().Interface().(events.Document).Check(c) })
	}
	if tried < 600 {
		t.Errorf("only %d limits tried", tried)
	}
}

// tryLimits tries the limits of root and returns how many it tried. A number
// whose limit depends on others is tried with those at their least and at their
// greatest: it must be taken with some of them, or refused with all.
func tryLimits(t *testing.T, root reflect.Value, check func(c *events.Check)) (tried int) {
	found := limits{}
	if err := found.find(root, check); err != nil {
		t.Fatal(err)
	}
	fill(root.Elem())
	p := &probing{root: root.Elem(), check: check, known: found}
	expect := func(set func(), path string, want bool, value any) {
		tried++
		taken := false
		for _, others := range []func(limit) int64{func(one limit) int64 { return one.max }, func(one limit) int64 { return one.min }} {
			p.others = others
			p.setOthers(p.root)
			set()
			allowed := p.allowed(path)
			taken = taken || allowed == "" || strings.HasPrefix(allowed, "grossG less tareG")
		}
		if taken != want {
			t.Errorf("%s.%s: %v taken %v, but validation says otherwise", root.Type().Elem(), path, value, taken)
		}
	}
	p.visit = func(of reflect.Type, name string, v reflect.Value, path string) {
		one := found[of][name]
		switch v.Kind() {
		case reflect.String:
			for _, w := range one.words {
				expect(func() { v.SetString(w) }, path, true, w)
				expect(func() { v.SetString(w + "x") }, path, false, w+"x")
			}
			if one.bounded && one.pattern == "" {
				expect(func() { v.SetString(strings.Repeat("é", int(one.min))) }, path, true, one.min)
				expect(func() { v.SetString(strings.Repeat("é", int(one.max))) }, path, true, one.max)
				expect(func() { v.SetString(strings.Repeat("é", int(one.max)+1)) }, path, false, one.max+1)
				if one.min > 0 {
					expect(func() { v.SetString(strings.Repeat("é", int(one.min)-1)) }, path, false, one.min-1)
				}
			}
			v.SetString("x")
		case reflect.Int64:
			expect(func() { v.SetInt(one.min) }, path, true, one.min)
			expect(func() { v.SetInt(one.max) }, path, true, one.max)
			expect(func() { v.SetInt(one.min - 1) }, path, false, one.min-1)
			expect(func() { v.SetInt(one.max + 1) }, path, false, one.max+1)
		}
	}
	p.object(p.root, "")
	return tried
}
