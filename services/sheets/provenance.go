package sheets

import (
	"strconv"
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
			return p.Tongue.Day(first)
		}
		return p.Tongue.Write("%s to %s", p.Tongue.Day(first), p.Tongue.Day(last))
	}
	const minute = "2006-01-02 15:04"
	return p.Tongue.Write("%s up to %s", p.Tongue.Day(from.Format(minute)), p.Tongue.Day(to.Format(minute)))
}

func isMidnight(t time.Time) bool {
	h, m, s := t.Clock()
	return h == 0 && m == 0 && s == 0 && t.Nanosecond() == 0
}

func (p *Provenance) filterText() string {
	parts := []string{}
	for _, f := range []struct{ what, id string }{
		{"only truck %s", string(p.Filter.Truck)}, {"only job %s", string(p.Filter.Job)}, {"only client %s", string(p.Filter.Client)},
	} {
		if f.id != "" {
			parts = append(parts, p.Tongue.Write(f.what, f.id))
		}
	}
	if len(parts) == 0 {
		return p.Tongue.Write("none: all trucks, jobs and clients")
	}
	return strings.Join(parts, ", ")
}

// fields returns the provenance as labelled texts, in the order a cover shows them.
func (p *Provenance) fields() []reports.Field {
	list := []reports.Field{
		{Label: "Carrier", Text: p.Carrier},
		{Label: "Period", Text: p.periodText() + " (" + p.zone() + ")"},
		{Label: "Filter", Text: p.filterText()},
		{Label: "Ledger", Text: p.Tongue.Write("events up to position %d", p.Position)},
		{Label: "Ledger as of", Text: p.asOf()},
		{Label: "Ledger hash", Text: p.LedgerHash},
		{Label: "Register", Text: p.Tongue.Write("%s, the last at position %d", countedIn(p.Tongue, p.RegisterRevisions, "revision"), p.RegisterPosition)},
		{Label: "Events", Text: p.countText()},
		{Label: "Asked for by", Text: p.By},
		{Label: "Made with", Text: p.Program},
	}
	for i := range list {
		list[i].Label = p.Tongue.Write(list[i].Label)
	}
	return list
}

// asOf says when the last event covered was recorded, which is the same for ever.
func (p *Provenance) asOf() string {
	if p.At.IsZero() {
		return ""
	}
	return p.Tongue.Write("%s, when the last of these events was recorded", p.Tongue.Day(p.At.In(p.Period.Zone).Format("2006-01-02 15:04:05 -07:00")))
}

func (p *Provenance) countText() string {
	c := p.Count
	return p.Tongue.Write("%s read: %s in effect (%s of them corrected), %s voided, %s or voidings, %s of the register",
		plainInt(c.Events), plainInt(c.Effective), plainInt(c.Corrected), plainInt(c.Voided), countedIn(p.Tongue, c.Corrections, "correction"), countedIn(p.Tongue, c.Revisions, "revision"))
}

// standingNotes returns the cautions that belong to every export.
func (p *Provenance) standingNotes() []string {
	notes := []string{
		p.Tongue.Write("A complete record is not a statement of legal compliance. What the law asks for is decided by those it names, with the rules in force."),
		p.Tongue.Write("Computed from the events recorded up to ledger position %d. What is recorded later, corrections too, is not in it.", p.Position),
	}
	if p.clockChanges() {
		notes = append(notes, p.Tongue.Write("The clocks of %s change within this period: an hour is missing or comes twice in the times shown. "+
			"The CSV and JSON exports carry each time's offset.", p.zone()))
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

// countedIn writes "1 line", "1,204 lines" in a language.
func countedIn(t tongue.Tongue, n int, noun string) string {
	if n == 1 {
		return t.Write("1 " + noun)
	}
	return t.Write("%s "+noun+"s", t.Number(reports.Decimal(int64(n), 0, 0)))
}

func plainInt(n int) string { return strconv.Itoa(n) }
