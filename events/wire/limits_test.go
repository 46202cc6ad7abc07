package wire_test

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"regexp"
	"strconv"
	"strings"

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
		p := &probing{root: root.Elem(), check: check, found: rounds[i], known: rounds[0], others: others}
		p.object(root.Elem(), "")
		if p.err != nil {
			return p.err
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

// fill gives v what it needs for every field to be reached.
func fill(v reflect.Value) {
	switch v.Kind() {
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

// probing walks one struct and gives each field a wrong value in its turn.
type probing struct {
	root         reflect.Value
	check        func(c *events.Check)
	found, known limits
	others       func(limit) int64
	err          error
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
	case reflect.String:
		v.SetString(strings.Repeat("x", 500))
		p.read(of, name, path)
		v.SetString("")
	case reflect.Int64:
		p.setOthers(p.root)
		v.SetInt(math.MinInt64)
		p.read(of, name, path)
		v.SetInt(0)
	case reflect.Uint64:
		v.SetUint(math.MaxUint64)
		p.read(of, name, path)
		v.SetUint(0)
	case reflect.Slice:
		one := reflect.ValueOf(v.Interface())
		v.Set(reflect.MakeSlice(v.Type(), 1000, 1000))
		p.read(of, name+"[]", path)
		v.Set(one)
		p.value(of, name, v.Index(0), path+".0")
	case reflect.Struct:
		if v.Type() != reflect.TypeFor[events.Time]() {
			p.object(v, path)
		}
	}
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

// read notes what is allowed at path.
func (p *probing) read(of reflect.Type, name, path string) {
	c := &events.Check{}
	p.check(c)
	var invalid *events.ValidationError
	errors.As(c.Err(), &invalid)
	if p.found[of] == nil {
		p.found[of] = map[string]limit{}
	}
	if invalid != nil {
		for _, f := range invalid.Fields {
			if f.Field == path {
				one, err := parseLimit(f.Allowed)
				p.found[of][name] = one
				p.err = errors.Join(p.err, err)
				return
			}
		}
	}
	if !strings.HasSuffix(name, "[]") { // lists are bounded by the size of an event
		p.err = errors.Join(p.err, fmt.Errorf("%s.%s: validation sets no limit", of, name))
	}
}

func parseLimit(allowed string) (limit, error) {
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
