package ledger_test

import (
	"fmt"
	"io/fs"
	"regexp"
	"slices"
	"strings"
	"testing/fstest"
	"time"
	_ "time/tzdata" // days need their zones on machines that have none installed

	"github.com/rogpeppe/go-internal/txtar"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/reports"
	"spoilbook/services/ledger"
	"spoilbook/services/register"
)

// day is a golden day as it was read.
type day struct {
	archive *txtar.Archive
	zone    *time.Location
	first   string // local dates of the first and the last date line
	last    string
	lines   []ledger.Record // in the order of arrival
	ids     map[string]events.Event
	seqs    map[events.Source]uint64
	views   map[string]view
}

// view is how a report of the day is asked for.
type view struct {
	first, last string
	filter      reports.Filter
	upTo        uint64
	profile     string
	firstIn     bool // the manifest tips the oldest loads first
}

// readDay reads a day and the register files that it shares with the others.
func readDay(archive *txtar.Archive, shared fs.FS) (*day, error) {
	d := &day{archive: archive, ids: map[string]events.Event{}, seqs: map[events.Source]uint64{}}
	files, sections, err := d.sections(shared)
	if err != nil {
		return nil, err
	}
	if err := d.register(files); err != nil {
		return nil, err
	}
	date := ""
	for n, text := range unfolded(sections["events"]) {
		if newDate, zone, ok := dateLine(text); ok {
			if zone != "" {
				if d.zone, err = time.LoadLocation(zone); err != nil {
					return nil, fmt.Errorf("events, line %d: %w", n, err)
				}
			}
			date = newDate
			d.first, d.last = earliest(d.first, date), max(d.last, date)
			continue
		}
		if date == "" || d.zone == nil {
			return nil, fmt.Errorf(`events, line %d: begin with a date and its zone, such as "2026-10-05 Europe/Dublin"`, n)
		}
		if err := d.line(text, date); err != nil {
			return nil, fmt.Errorf("events, line %d, %q: %w", n, text, err)
		}
	}
	if d.zone == nil {
		return nil, fmt.Errorf("it has no events")
	}
	return d, d.readViews(sections["views"])
}

func earliest(a, b string) string {
	if a == "" {
		return b
	}
	return min(a, b)
}

// sections returns the register files and the other sections by name.
func (d *day) sections(shared fs.FS) (fstest.MapFS, map[string]string, error) {
	files, sections := fstest.MapFS{}, map[string]string{}
	common, err := fs.Glob(shared, "register/*.yaml")
	if err != nil || len(common) == 0 {
		return nil, nil, fmt.Errorf("the folder register has no files: %w", err)
	}
	for _, name := range common {
		text, err := fs.ReadFile(shared, name)
		if err != nil {
			return nil, nil, err
		}
		files["common/"+strings.TrimPrefix(name, "register/")] = &fstest.MapFile{Data: text}
	}
	for _, f := range d.archive.Files {
		if _, twice := sections[f.Name]; twice {
			return nil, nil, fmt.Errorf("section %s is there twice", f.Name)
		}
		sections[f.Name] = string(f.Data)
		switch {
		case strings.HasPrefix(f.Name, "register"):
			files["day/"+f.Name] = &fstest.MapFile{Data: f.Data}
		case f.Name != "events" && f.Name != "views" && !strings.HasPrefix(f.Name, "want/"):
			return nil, nil, fmt.Errorf("section %q is not register, events, views or want", f.Name)
		}
	}
	return files, sections, nil
}

// register publishes the register the day before the first event.
func (d *day) register(files fs.FS) error {
	revs, err := register.Read(files)
	if err != nil {
		return err
	}
	list, err := register.Events(revs, nil, "register", 1, events.MustTime("2026-09-30T16:00:00+01:00"))
	if err != nil {
		return err
	}
	for i := range list {
		if err := d.send(&list[i], time.UnixMilli(list[i].Occurred.UnixMS)); err != nil {
			return err
		}
	}
	return nil
}

// send adds an event that was decoded from its own canonical bytes.
func (d *day) send(e *events.Event, recorded time.Time) error {
	if _, taken := d.ids[e.ID]; taken {
		return fmt.Errorf("id %s is taken; to send an event twice is what the runner does of itself", e.ID)
	}
	body, err := wire.Encode(e)
	if err != nil {
		return err
	}
	d.ids[e.ID] = *e
	d.lines = append(d.lines, ledger.Record{Source: e.Source, ID: e.ID, Seq: e.Seq, Kind: e.Kind(), Truck: e.Truck,
		Job: e.Job, Operator: e.Operator, Occurred: e.Occurred, Recorded: recorded, Body: body, Hash: chain.LeafHash(body)})
	return nil
}

// unfolded returns the lines by number; a line that begins with a space goes on
// with the one before, # begins a remark.
func unfolded(text string) func(yield func(int, string) bool) {
	return func(yield func(int, string) bool) {
		number, whole := 0, ""
		flush := func() bool { return whole == "" || yield(number, whole) }
		for i, raw := range strings.Split(text, "\n") {
			text := strings.TrimSpace(raw)
			switch {
			case text == "" || strings.HasPrefix(text, "#"):
			case raw[0] == ' ' || raw[0] == '\t':
				whole += " " + text
			default:
				if !flush() {
					return
				}
				number, whole = i+1, text
			}
		}
		flush()
	}
}

var datePattern = regexp.MustCompile(`^(\d{4}-\d\d-\d\d)(?: ([A-Za-z]+(?:/[A-Za-z_]+)+))?$`)

func dateLine(text string) (date, zone string, ok bool) {
	m := datePattern.FindStringSubmatch(text)
	if m == nil {
		return "", "", false
	}
	return m[1], m[2], true
}

// rootKind returns the kind of the entry that a chain of corrections is about.
func (d *day) rootKind(ref events.Ref) events.Kind {
	e := d.ids[ref.ID]
	switch b := e.Body.(type) {
	case events.EntryCorrected:
		return d.rootKind(b.Refers)
	case events.EntryVoided:
		return d.rootKind(b.Refers)
	}
	return e.Kind()
}

// sent returns the events in the order in which they arrived, stored no earlier
// than the one before unless the day says so.
func (d *day) sent() []ledger.Record {
	list := slices.Clone(d.lines)
	last := time.Time{}
	for i := range list {
		r := &list[i]
		if r.Recorded.IsZero() {
			r.Recorded = time.UnixMilli(r.Occurred.UnixMS).Add(time.Second)
			if r.Recorded.Before(last) {
				r.Recorded = last
			}
		}
		last = r.Recorded
	}
	return list
}

// readViews reads the section views and adds the one without a name.
func (d *day) readViews(text string) error {
	whole := view{first: d.first, last: d.last}
	d.views = map[string]view{"": whole}
	for n, text := range unfolded(text) {
		words := strings.Fields(text)
		v := whole
		for _, w := range words[1:] {
			name, value, _ := strings.Cut(w, "=")
			switch name {
			case "days":
				v.first, v.last, _ = strings.Cut(value, "..")
				if v.last == "" {
					v.last = v.first
				}
			case "truck":
				v.filter.Truck = events.TruckID(value)
			case "job":
				v.filter.Job = events.JobID(value)
			case "client":
				v.filter.Client = events.ClientID(value)
			case "profile":
				v.profile = value
			case "order":
				if v.firstIn = value == "first-in"; !v.firstIn {
					return fmt.Errorf("views, line %d: order %q is not first-in; without an order tips are well mixed", n, value)
				}
			case "upto":
				v.upTo = uint64(1 + slices.IndexFunc(d.sent(), func(r ledger.Record) bool { return r.ID == value }))
				if v.upTo == 0 {
					return fmt.Errorf("views, line %d: no event has the id %s", n, value)
				}
			default:
				return fmt.Errorf("views, line %d: %q is not known", n, w)
			}
		}
		d.views[words[0]] = v
	}
	return nil
}
