package ledger_test

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/events/wire"
	"spoilbook/services/ledger"
)

var (
	clockPattern    = regexp.MustCompile(`^\d\d:\d\d(?::\d\d(?:\.\d{1,3})?)?(?:\+\d\d:\d\d)?$`)
	instantPattern  = regexp.MustCompile(`^(\d{4}-\d\d-\d\d)T(\d\d:\d\d.*)$`)
	wholePattern    = regexp.MustCompile(`^-?\d+$`)
	quantityPattern = regexp.MustCompile(`^(\d+)(?:\.(\d+))?(mL|L|m3|g|kg|t)(?::(measured|derived|assumed))?(?:±(\d+))?$`)
)

// line reads one event. For example
//
//	07:00-07:25 TM-01 load.collected job=J-1 material=M-SAND slurryVolume=2000L slurryMass=3t:derived±90
//	09:10 @yard docket.received truck=TM-01 tip=#tip-1 facility=F-PIT number=D-1 weighedAt=16:05 netG=9120kg
//
// is the clock, or the start and the end, in the zone of the date line above; the
// truck, or @ and the office desk; the kind; and members of the envelope and the
// payload, a dot for members of members. A number with a unit is a quantity with a
// basis (measured unless said) and a tolerance, or just the number where the
// member's name ends in its unit. #ID refers to an event above and @ID is its position;
// quotes make text of what would be something else. The replacement of a correction begins with to.,
// and what is left out of it is left out.
//
// The lines stand in the order in which the events arrived. Source numbers and ids
// are counted (seq=, id= say otherwise), and an event was stored a second after it
// occurred or with the one before it (recorded= says otherwise).
func (d *day) line(text, date string) error {
	words, err := wordsOf(text)
	if err != nil {
		return err
	}
	if len(words) < 3 {
		return fmt.Errorf("a line is time, truck or @desk, kind, members")
	}
	l := &lineReader{d: d, date: date, envelope: map[string]any{"specversion": "1.0", "type": "spoilbook." + words[2]}, data: map[string]any{}}
	if err := l.when(words[0]); err != nil {
		return err
	}
	if desk, office := strings.CutPrefix(words[1], "@"); office {
		l.envelope["source"], l.envelope["origin"] = "/office/"+desk, "office"
	} else {
		l.envelope["source"], l.envelope["subject"], l.envelope["origin"] = "/truck/"+words[1], words[1], "controller"
	}
	for _, w := range words[3:] {
		if err := l.member(w); err != nil {
			return err
		}
	}
	return l.send()
}

// wordsOf splits at spaces outside quotes and brackets.
func wordsOf(text string) ([]string, error) {
	words, word := []string{}, strings.Builder{}
	quoted, depth := false, 0
	for _, r := range text + " " {
		switch {
		case r == '"':
			quoted = !quoted
		case quoted:
		case r == '[' || r == '{':
			depth++
		case r == ']' || r == '}':
			depth--
		case r == ' ' && depth == 0:
			if word.Len() > 0 {
				words = append(words, word.String())
			}
			word.Reset()
			continue
		}
		word.WriteRune(r)
	}
	if quoted || depth != 0 {
		return nil, fmt.Errorf("a quote or a bracket is not closed")
	}
	return words, nil
}

// lineReader builds the wire form of one event.
type lineReader struct {
	d              *day
	date           string
	occurred       time.Time
	envelope, data map[string]any
	recorded       time.Time
}

func (l *lineReader) when(text string) error {
	from, to, interval := strings.Cut(text, "-")
	start, err := l.instant(l.date, from)
	if err != nil {
		return err
	}
	l.occurred = start
	if interval {
		if l.occurred, err = l.instant(l.date, to); err != nil {
			return err
		}
		if l.occurred.Before(start) { // past midnight
			next, _ := time.Parse(time.DateOnly, l.date)
			if l.occurred, err = l.instant(next.AddDate(0, 0, 1).Format(time.DateOnly), to); err != nil {
				return err
			}
		}
		l.data["start"], l.data["end"] = stamp(start), stamp(l.occurred)
	}
	l.envelope["time"] = stamp(l.occurred)
	return nil
}

func stamp(t time.Time) string { return events.TimeOf(t).String() }

// instant reads a local clock time of a date. One that the clock shows twice, or
// never, must say its offset.
func (l *lineReader) instant(date, clock string) (time.Time, error) {
	if !clockPattern.MatchString(clock) {
		return time.Time{}, fmt.Errorf("%q is not a clock time such as 08:10, 08:10:30.250 or 01:30+01:00", clock)
	}
	layout := "2006-01-02 15:04"
	if len(clock) > 5 && clock[5] == ':' {
		layout += ":05"
	}
	if strings.Contains(clock, "+") {
		t, err := time.Parse(layout+"-07:00", date+" "+clock)
		return t.In(l.d.zone), err
	}
	t, err := time.ParseInLocation(layout, date+" "+clock, l.d.zone)
	if err != nil {
		return t, err
	}
	shown := t.Format(layout)
	if !strings.HasPrefix(date+" "+clock, shown) || t.Add(time.Hour).Format(layout) == shown || t.Add(-time.Hour).Format(layout) == shown {
		return t, fmt.Errorf("%s %s comes twice or never in %s; say which with its offset, such as 01:30+00:00", date, clock, l.d.zone)
	}
	return t, nil
}

// member reads name=value.
func (l *lineReader) member(word string) error {
	name, text, ok := strings.Cut(word, "=")
	if !ok || text == "" {
		return fmt.Errorf("%q is not name=value", word)
	}
	value, err := l.value(name, text)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	switch name {
	case "id", "seq", "operator", "job", "origin", "place":
		l.envelope[name] = value
		return nil
	case "truck":
		l.envelope["subject"] = value
		return nil
	case "recorded":
		at, err := events.ParseTime(fmt.Sprint(value))
		l.recorded = time.UnixMilli(at.UnixMS)
		return err
	}
	if rest, ok := strings.CutPrefix(name, "to."); ok && l.envelope["type"] == "spoilbook."+string(events.KindEntryCorrected) {
		name = "replacement.data." + rest
	}
	path := strings.Split(name, ".")
	into := l.data
	for _, p := range path[:len(path)-1] {
		if _, there := into[p].(map[string]any); !there {
			into[p] = map[string]any{}
		}
		into = into[p].(map[string]any)
	}
	into[path[len(path)-1]] = value
	return nil
}

// value reads a value as JSON would have it.
func (l *lineReader) value(name, text string) (any, error) {
	if m := instantPattern.FindStringSubmatch(text); m != nil {
		at, err := l.instant(m[1], m[2])
		return stamp(at), err
	}
	switch {
	case text[0] == '"':
		return strconv.Unquote(text)
	case text[0] == '[' || text[0] == '{':
		return json.RawMessage(text), nil
	case text[0] == '#':
		e, ok := l.d.ids[text[1:]]
		if !ok {
			return nil, fmt.Errorf("no event above has the id %s", text[1:])
		}
		return e.Ref(), nil
	case text[0] == '@':
		at := slices.IndexFunc(l.d.sent(), func(r ledger.Record) bool { return r.ID == text[1:] })
		if at < 0 {
			return nil, fmt.Errorf("no event above has the id %s", text[1:])
		}
		return at + 1, nil
	case text == "true" || text == "false":
		return text == "true", nil
	case wholePattern.MatchString(text):
		return json.Number(text), nil
	case quantityPattern.MatchString(text):
		return quantity(name, text)
	case clockPattern.MatchString(text):
		at, err := l.instant(l.date, text)
		return stamp(at), err
	}
	return text, nil
}

// quantity reads "2.5m3:derived±60" as millilitres, or grams; the tolerance is in
// the same unit. Where the name ends in the unit the number alone is meant.
func quantity(name, text string) (any, error) {
	m := quantityPattern.FindStringSubmatch(text)
	decimals := map[string]int{"mL": 0, "g": 0, "L": 3, "kg": 3, "m3": 6, "t": 6}[m[3]]
	if len(m[2]) > decimals {
		return nil, fmt.Errorf("%s is finer than a millilitre or a gram", text)
	}
	zeros := strings.Repeat("0", decimals)
	amount, err := strconv.ParseInt(m[1]+m[2]+zeros[len(m[2]):], 10, 64)
	if err != nil {
		return nil, err
	}
	if strings.HasSuffix(name, "ML") || strings.HasSuffix(name, "G") {
		return amount, nil
	}
	basis := m[4]
	if basis == "" {
		basis = string(events.Measured)
	}
	unit := "ML"
	of, size := "volume", "tolerance"
	if strings.HasSuffix(m[3], "g") || m[3] == "t" {
		of, unit = "mass", "G"
	}
	q := map[string]any{of + unit: amount, "basis": basis}
	if m[5] != "" {
		tolerance, err := strconv.ParseInt(m[5]+zeros, 10, 64)
		if err != nil {
			return nil, err
		}
		q[size+unit] = tolerance
	}
	return q, nil
}

// send counts the event, decodes it from its wire form and adds it to the day.
func (l *lineReader) send() error {
	source := events.Source(l.envelope["source"].(string))
	_, name, _ := source.Split()
	if l.envelope["seq"] == nil {
		l.envelope["seq"] = l.d.seqs[source] + 1
	}
	if l.envelope["id"] == nil {
		l.envelope["id"] = fmt.Sprintf("%s-%04v", name, l.envelope["seq"])
	}
	if r, ok := l.data["replacement"].(map[string]any); ok && r["type"] == nil {
		refers, _ := l.data["refers"].(events.Ref)
		r["type"] = l.d.rootKind(refers)
	}
	l.envelope["data"] = l.data
	text, err := json.Marshal(l.envelope)
	if err != nil {
		return err
	}
	e, err := wire.Decode(text)
	if err != nil {
		return fmt.Errorf("%w\nin %s", err, text)
	}
	l.d.seqs[source] = max(l.d.seqs[source], e.Seq)
	return l.d.send(&e, l.recorded)
}
