package ledger

import (
	"context"
	"fmt"
	"iter"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
)

// ReportQuery asks for a report.
type ReportQuery struct {
	Name   string // one of ReportNames
	Period reports.Period
	Filter reports.Filter
	UpTo   uint64 // ledger position; 0 means the head
	Choices
}

// Report is a computed report with what it was computed from.
type Report struct {
	Query    ReportQuery // with its choices settled
	Computed Computed
	Document reports.Document // of Computed, with what the record itself is found to lack
	Journal  *reports.Journal
	Position uint64      // the last position covered
	Root     string      // Merkle root in hex when Position is where a block ended, else empty
	AsOf     events.Time // when the last event covered was recorded
}

// Explainer says how the report's lines came about; it is nil where the report does
// not.
func (r *Report) Explainer() reports.Explainer {
	x, ok := r.Computed.(reports.Explainer)
	if !ok {
		return nil
	}
	return x
}

// Cited returns the events that the report's lines and findings rest on, in the
// order of their positions.
func (r *Report) Cited() iter.Seq[*events.Recorded] {
	seen := map[uint64]bool{}
	for _, t := range r.Document.Tables {
		for row := range t.Rows {
			for _, p := range row.Cites {
				seen[p] = true
			}
		}
	}
	for _, f := range r.Document.Findings {
		for _, p := range f.Cites {
			seen[p] = true
		}
	}
	positions := make([]uint64, 0, len(seen))
	for p := range seen {
		positions = append(positions, p)
	}
	slices.Sort(positions)
	return func(yield func(*events.Recorded) bool) {
		for _, p := range positions {
			if e := r.Journal.Recorded(p); e != nil && !yield(e) {
				return
			}
		}
	}
}

// PeriodOf reads first and last local day, "2026-10-01" and "2026-10-31", in a
// named time zone. The period is half-open: it ends when the day after last
// begins.
func (l *Ledger) PeriodOf(first, last, zone string) (reports.Period, error) {
	if zone == "" || strings.EqualFold(zone, "local") {
		return reports.Period{}, Fail(BadRequest, "period: name the time zone, such as Europe/Dublin")
	}
	loc, err := l.zones(zone)
	if err != nil {
		return reports.Period{}, Fail(BadRequest, "period: %q is not a time zone of the tz database, such as Europe/Dublin", zone)
	}
	p, err := reports.Days(first, last, loc)
	return p, Wrap(BadRequest, err, "period")
}

// Report computes a report. The same query at the same position gives the same
// document for ever.
func (l *Ledger) Report(ctx context.Context, q ReportQuery) (*Report, error) {
	if !slices.Contains(ReportNames(), q.Name) {
		return nil, Fail(BadRequest, "report %q does not exist; there are %s", q.Name, strings.Join(ReportNames(), ", "))
	}
	choices, err := q.Choices.settled(q.Name)
	if err != nil {
		return nil, err
	}
	q.Choices = choices
	compute, err := computation(q)
	if err != nil {
		return nil, err
	}
	head, err := l.store.Head(ctx)
	if err != nil {
		return nil, Wrap(StoreDown, err, "report %s", q.Name)
	}
	if q.UpTo == 0 {
		q.UpTo = head.Position
	}
	if q.UpTo > head.Position {
		return nil, Fail(NotFound, "report %s: the ledger stands at position %d, not yet at %d", q.Name, head.Position, q.UpTo)
	}
	// Tips mix jobs, so only a truck narrows what must be read.
	j, err := l.Journal(ctx, q.Filter.Truck, q.UpTo)
	if err != nil {
		return nil, Wrap(StoreDown, err, "report %s", q.Name)
	}
	if err := known(j, q.Filter); err != nil {
		return nil, err
	}
	return l.compose(q, head, j, compute)
}

// known refuses a report about what nobody has heard of, which would be empty without saying why.
func known(j *reports.Journal, f reports.Filter) error {
	switch {
	case f.Client != "" && !j.Book.Known(events.ClientRegister, string(f.Client)):
		return Fail(NotFound, "client: the register has no %q; it has %s", f.Client, some(j.Book.Keys(events.ClientRegister)))
	case f.Truck != "" && !j.Book.Known(events.TruckRegister, string(f.Truck)) && len(j.Entries(f.Truck)) == 0:
		return Fail(NotFound, "truck: neither the register nor any event has %q; the register has %s", f.Truck, some(j.Book.Keys(events.TruckRegister)))
	case f.Job == "" || j.Book.Known(events.JobRegister, string(f.Job)):
		return nil
	}
	for _, truck := range j.Trucks() {
		if slices.ContainsFunc(j.Entries(truck), func(e reports.Entry) bool { return e.Job == f.Job }) {
			return nil
		}
	}
	return Fail(NotFound, "job: neither the register nor any event has %q; the register has %s", f.Job, some(j.Book.Keys(events.JobRegister)))
}

// some names a few of what there is.
func some(keys []string) string {
	const most = 8
	switch {
	case len(keys) == 0:
		return "none"
	case len(keys) > most:
		return strings.Join(keys[:most], ", ") + fmt.Sprintf(" and %d more", len(keys)-most)
	}
	return strings.Join(keys, ", ")
}

// compose computes the document and adds what the record itself is found to lack, and
// what was answered to all that was found.
func (l *Ledger) compose(q ReportQuery, head Head, j *reports.Journal, compute computeFunc) (*Report, error) {
	r := &Report{Query: q, Journal: j, Position: q.UpTo}
	asked := reports.Request{Period: q.Period, Filter: q.Filter}
	r.Computed = compute(j, asked, l.zones)
	r.Document = r.Computed.Document()
	r.Document.Subject = append(r.Document.Subject, q.basis(q.Name)...)
	for _, f := range j.Findings {
		if f.Touches(q.Period) {
			r.Document.Findings = append(r.Document.Findings, f)
		}
	}
	r.Document.Findings = j.Answer(q.Name, asked, r.Document.Findings)
	reports.SortFindings(r.Document.Findings)
	if head.RootPosition == q.UpTo {
		r.Root = hexOf(head.Root)
	}
	if last := j.Recorded(q.UpTo); last != nil {
		r.AsOf = last.At
	}
	return r, nil
}

type computeFunc func(j *reports.Journal, q reports.Request, zone zones) Computed
