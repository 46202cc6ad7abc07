package sheets

import (
	"fmt"
	"strings"
	"time"

	"spoilbook/reports"
	"spoilbook/services/tongue"
)

// Provenance says what a document was computed from and for whom, so that anybody can compute it again and compare.
type Provenance struct {
	Carrier           string // who runs the trucks
	Period            reports.Period
	ZoneName          string // as people write it; empty means the zone's own name
	Position          uint64 // the last ledger position covered
	LedgerHash        string // root of the ledger up to Position
	RegisterPosition  uint64 // the last position that revised the register
	RegisterRevisions int
	Filter            reports.Filter
	By                string    // who asked for it
	At                time.Time // when the last event covered was recorded; the only clock an export shows
	Program           string    // name and version
	Count             reports.Count

	Tongue tongue.Tongue // what is fixed is said in this language; English when left out
}

// zone returns the name shown beside times.
func (p *Provenance) zone() string {
	if p.ZoneName != "" {
		return p.ZoneName
	}
	return p.Period.Zone.String()
}

// periodText returns the period as whole local days where it is, otherwise to the minute.
func (p *Provenance) periodText() string {
	from, to := p.Period.Local(p.Period.From), p.Period.Local(p.Period.To)
	if isMidnight(from) && isMidnight(to) && from.Before(to) {
		first, last := from.Format(time.DateOnly), to.AddDate(0, 0, -1).Format(time.DateOnly)
		if first == last {
			return first
		}
		return first + " to " + last
	}
	const minute = "2006-01-02 15:04"
	return from.Format(minute) + " up to " + to.Format(minute)
}

func isMidnight(t time.Time) bool {
	h, m, s := t.Clock()
	return h == 0 && m == 0 && s == 0 && t.Nanosecond() == 0
}

func (p *Provenance) filterText() string {
	parts := []string{}
	for _, f := range []struct{ what, id string }{
		{"truck", string(p.Filter.Truck)}, {"job", string(p.Filter.Job)}, {"client", string(p.Filter.Client)},
	} {
		if f.id != "" {
			parts = append(parts, "only "+f.what+" "+f.id)
		}
	}
	if len(parts) == 0 {
		return "none: all trucks, jobs and clients"
	}
	return strings.Join(parts, ", ")
}

// fields returns the provenance as labelled texts, in the order a cover shows them.
func (p *Provenance) fields() []reports.Field {
	return []reports.Field{
		{Label: "Carrier", Text: p.Carrier},
		{Label: "Period", Text: p.periodText() + " (" + p.zone() + ")"},
		{Label: "Filter", Text: p.filterText()},
		{Label: "Ledger", Text: fmt.Sprintf("events up to position %d", p.Position)},
		{Label: "Ledger as of", Text: p.asOf()},
		{Label: "Ledger hash", Text: p.LedgerHash},
		{Label: "Register", Text: fmt.Sprintf("%s, the last at position %d", reports.Counted(p.RegisterRevisions, "revision"), p.RegisterPosition)},
		{Label: "Events", Text: p.countText()},
		{Label: "Asked for by", Text: p.By},
		{Label: "Made with", Text: p.Program},
	}
}

// asOf says when the last event covered was recorded, which is the same for ever.
func (p *Provenance) asOf() string {
	if p.At.IsZero() {
		return ""
	}
	return p.At.In(p.Period.Zone).Format("2006-01-02 15:04:05 -07:00") + ", when the last of these events was recorded"
}

func (p *Provenance) countText() string {
	c := p.Count
	return fmt.Sprintf("%d read: %d in effect (%d of them corrected), %d voided, %s or voidings, %s of the register",
		c.Events, c.Effective, c.Corrected, c.Voided, reports.Counted(c.Corrections, "correction"), reports.Counted(c.Revisions, "revision"))
}

// standingNotes returns the cautions that belong to every export.
func (p *Provenance) standingNotes() []string {
	notes := []string{
		"A complete record is not a statement of legal compliance. What the law asks for is decided by those it names, with the rules in force.",
		fmt.Sprintf("Computed from the events recorded up to ledger position %d. What is recorded later, corrections too, is not in it.", p.Position),
	}
	if p.clockChanges() {
		notes = append(notes, "The clocks of "+p.zone()+" change within this period: an hour is missing or comes twice in the times shown. "+
			"The CSV and JSON exports carry each time's offset.")
	}
	return notes
}

// clockChanges reports whether the offset from UTC is not the same throughout the period.
func (p *Provenance) clockChanges() bool {
	t, end := p.Period.Local(p.Period.From), p.Period.Local(p.Period.To)
	_, first := t.Zone()
	for t.Before(end) {
		_, next := t.ZoneBounds()
		if next.IsZero() || !next.Before(end) {
			return false
		}
		t = next
		if _, off := t.Zone(); off != first {
			return true
		}
	}
	return false
}

// allNotes returns the standing notes and the document's own.
func allNotes(d *reports.Document, p *Provenance) []string {
	return append(p.standingNotes(), d.Notes...)
}
