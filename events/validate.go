package events

import (
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"
)

// FieldError says what is wrong with one field: its path in the event, what was
// found there and what is allowed.
type FieldError struct {
	Field   string `json:"field"`
	Found   string `json:"found"`
	Allowed string `json:"allowed"`
}

// Error returns the three parts as one sentence.
func (e FieldError) Error() string {
	return fmt.Sprintf("%s: found %s; allowed: %s", e.Field, e.Found, e.Allowed)
}

// ValidationError lists every field that is wrong, in the order checked.
type ValidationError struct{ Fields []FieldError }

// Error returns all field errors, separated by semicolons.
func (e *ValidationError) Error() string {
	parts := make([]string, len(e.Fields))
	for i, f := range e.Fields {
		parts[i] = f.Error()
	}
	return strings.Join(parts, " | ")
}

// Check collects field errors while a value is walked.
type Check struct {
	inside []step
	fields []FieldError
}

// step is a member that is being walked; index is -1 for one that is no list.
type step struct {
	name  string
	index int
}

// maxFieldErrors bounds what one bad event can make us say.
const maxFieldErrors = 32

// Err returns what was collected, or nil.
func (c *Check) Err() error {
	if len(c.fields) == 0 {
		return nil
	}
	return &ValidationError{Fields: c.fields}
}

// In runs f with name put before the fields it reports.
func (c *Check) In(name string, f func()) { c.Item(name, -1, f) }

// Item runs f with the name of a list and the index of its item, from 0, put
// before the fields it reports; an empty name stands for the value walked.
func (c *Check) Item(name string, index int, f func()) {
	c.inside = append(c.inside, step{name, index})
	f()
	c.inside = c.inside[:len(c.inside)-1]
}

// path is built only for what is wrong; most values are right.
func (c *Check) path(name string) string {
	parts := make([]string, 0, 2*len(c.inside)+1)
	for _, s := range c.inside {
		if s.name != "" {
			parts = append(parts, s.name)
		}
		if s.index >= 0 {
			parts = append(parts, strconv.Itoa(s.index))
		}
	}
	if name != "" {
		parts = append(parts, name)
	}
	return strings.Join(parts, ".")
}

// Fail reports that field holds found where allowed was expected.
func (c *Check) Fail(field, found, allowed string) {
	if len(c.fields) < maxFieldErrors {
		c.fields = append(c.fields, FieldError{Field: c.path(field), Found: found, Allowed: allowed})
	}
}

// Between asks min <= v <= max; what names the unit.
func (c *Check) Between(field string, v, min, max int64, what string) {
	if v < min || v > max {
		c.Fail(field, fmt.Sprint(v), fmt.Sprintf("%d to %d (%s)", min, max, what))
	}
}

// Time asks for a time between the years 2000 and 2100, which catches clocks
// that were never set.
func (c *Check) Time(field string, t Time) {
	if t.UnixMS < minUnixMS || t.UnixMS >= maxUnixMS {
		c.Fail(field, t.String(), "a time from 2000 to 2099; the source's clock looks unset")
	}
	if t.OffsetMinutes < -18*60 || t.OffsetMinutes > 18*60 {
		c.Fail(field, t.String(), "a UTC offset within 18 hours")
	}
}

// Interval asks for two valid times, end not before start, at most a day apart.
func (c *Check) Interval(start, end Time) {
	c.Time("start", start)
	c.Time("end", end)
	switch d := end.UnixMS - start.UnixMS; {
	case d < 0:
		c.Fail("end", end.String(), "not before start "+start.String())
	case d > maxIntervalMS:
		c.Fail("end", end.String(), "at most 24 hours after start "+start.String())
	}
}

// ID asks for a well-formed identifier.
func (c *Check) ID(field, v string) {
	if !validID(v) {
		c.Fail(field, quoted(v), "1 to 40 letters, digits, _ or -, beginning with a letter or digit")
	}
}

// OptionalID asks for a well-formed identifier or nothing.
func (c *Check) OptionalID(field, v string) {
	if v != "" {
		c.ID(field, v)
	}
}

// Text asks for min to max characters of valid UTF-8 without control characters.
func (c *Check) Text(field, v string, min, max int) {
	switch n := utf8.RuneCountInString(v); {
	case !utf8.ValidString(v):
		c.Fail(field, quoted(v), "valid UTF-8")
	case n < min || n > max:
		c.Fail(field, fmt.Sprintf("%d characters", n), fmt.Sprintf("%d to %d characters", min, max))
	case strings.ContainsFunc(v, isControl):
		c.Fail(field, quoted(v), "text without control characters")
	}
}

// OneOf asks for one of the words.
func (c *Check) OneOf(field, v string, words ...string) {
	for _, w := range words {
		if v == w {
			return
		}
	}
	c.Fail(field, quoted(v), strings.Join(words, ", "))
}

// Ref asks for a well-formed reference to an event.
func (c *Check) Ref(field string, r Ref) {
	c.In(field, func() {
		if _, _, ok := r.Source.Split(); !ok {
			c.Fail("source", quoted(string(r.Source)), `"/truck/NAME" or "/office/NAME"`)
		}
		c.Text("id", r.ID, 1, 64)
	})
}

const (
	minUnixMS     = 946_684_800_000   // 2000-01-01T00:00:00Z
	maxUnixMS     = 4_102_444_800_000 // 2100-01-01T00:00:00Z
	maxIntervalMS = 24 * 60 * 60 * 1000
)

func validID(s string) bool {
	if len(s) < 1 || len(s) > 40 {
		return false
	}
	for i := range len(s) {
		b := s[i]
		letter := b >= 'A' && b <= 'Z' || b >= 'a' && b <= 'z' || b >= '0' && b <= '9'
		if !letter && (i == 0 || b != '_' && b != '-') {
			return false
		}
	}
	return true
}

func isControl(r rune) bool { return r < 0x20 || r >= 0x7f && r < 0xa0 || r == 0x2028 || r == 0x2029 }

// quoted shows at most 60 characters of what was found.
func quoted(s string) string { return strconv.Quote(clipped(s)) }

func clipped(s string) string {
	if utf8.RuneCountInString(s) > 60 {
		return string([]rune(s)[:60]) + "…"
	}
	return s
}
