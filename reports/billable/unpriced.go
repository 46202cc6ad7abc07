package billable

import (
	"cmp"
	"fmt"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Unpriced is work of a job that can not be priced because no rate card, or nothing
// that the card needs, was in force. It is listed so that it can be charged once the
// register is put right; its time is among the time not billed as well.
type Unpriced struct {
	Client    events.ClientID // where the job was known
	Job       events.JobID
	Truck     events.TruckID
	Kind      Kind
	What      string
	From, To  events.Time
	Micro     int64 // quantity in millionths of Unit
	Unit      string
	Reason    string
	Positions []uint64
}

// unpriced lists work that nothing prices at the time for which the register was
// asked.
func (b *builder) unpriced(u Unpriced, at events.Time) {
	u.Reason = b.lacks[agreedKey{u.Job, at.UnixMS}]
	if job, ok := b.j.Book.Job(u.Job, at); ok {
		u.Client = job.Client
	}
	b.r.Unpriced = append(b.r.Unpriced, u)
}

func (b *builder) unpricedTip(truck events.TruckID, t *tank.Tip, s *share, cites []uint64) {
	u := Unpriced{Job: s.job, Truck: truck, Kind: ForSpoil, What: "spoil tipped at " + string(t.Facility), Positions: cites}
	u.From, u.To = t.Entry.Interval()
	u.Micro, u.Unit = s.settledG, "t"
	b.unpriced(u, t.Entry.Occurred)
	u.Micro, u.Unit = s.volumeML, "m³"
	b.unpriced(u, t.Entry.Occurred)
}

func (b *builder) finishUnpriced() {
	slices.SortStableFunc(b.r.Unpriced, func(x, y Unpriced) int {
		return cmp.Or(cmp.Compare(x.Job, y.Job), cmp.Compare(x.From.UnixMS, y.From.UnixMS), cmp.Compare(x.Truck, y.Truck),
			cmp.Compare(kindOrder(x.Kind), kindOrder(y.Kind)), cmp.Compare(x.Unit, y.Unit))
	})
}

// notInForce says that an entry of the register was not in force, and since when it
// is where it begins later.
func (b *builder) notInForce(r events.Register, noun, id string) string {
	if history := b.j.Book.History(r, id); len(history) > 0 {
		return fmt.Sprintf("%s %s was not in force; it begins %s", noun, id, history[0].From)
	}
	return fmt.Sprintf("%s %s is not in the register", noun, id)
}

func (r *Report) unpricedTable() reports.Table {
	cols := []reports.Column{
		reports.TextColumn("client", "Client"), reports.TextColumn("job", "Job"), reports.TextColumn("truck", "Truck"), reports.TextColumn("kind", "Kind"),
		reports.TextColumn("what", "What"), reports.InstantColumn("from", "From"), reports.InstantColumn("to", "To"),
		reports.RatioColumn("quantity", "Quantity", "", 6, 3), reports.TextColumn("unit", "Unit"), reports.TextColumn("reason", "Why there is no price"),
	}
	rows := []reports.Row{}
	for i := range r.Unpriced {
		u := &r.Unpriced[i]
		rows = append(rows, reports.Row{Cites: u.Positions, Cells: []reports.Cell{reports.T(string(u.Client)), reports.T(string(u.Job)), reports.T(string(u.Truck)),
			reports.T(string(u.Kind)), reports.T(u.What), reports.At(u.From), reports.At(u.To), reports.N(u.Micro), reports.T(u.Unit), reports.T(u.Reason)}})
	}
	return table("Unpriced", "Work that has no price yet", "Jobs without a rate card that could be applied when the work was done. "+
		"Spoil is given in tonnes and in cubic metres, of which a card charges one; the time is in Not billed too.",
		"All work of jobs had a rate card in force.", cols, rows)
}

// zoneUse is a time at which a job's terms were asked for, with its time zone then.
type zoneUse struct {
	zone  string
	at    events.Time
	cites []uint64
}

// findZones notes jobs whose time zone changed within the period.
func (b *builder) findZones() {
	for _, job := range sortedJobs(b.zones) {
		uses := b.zones[job]
		slices.SortStableFunc(uses, func(x, y zoneUse) int { return cmp.Compare(x.at.UnixMS, y.at.UnixMS) })
		for i := 1; i < len(uses); i++ {
			if uses[i].zone == uses[i-1].zone {
				continue
			}
			f := reports.NewFinding(reports.JobZoneChanged, "", uses[i].at, b.j.Cited(uses[i-1].cites, uses[i].cites),
				"job %s is charged by the clock of %s and from %s by that of %s", job, uses[i-1].zone, uses[i].at, uses[i].zone)
			f.Job = job
			b.r.Findings = append(b.r.Findings, f)
		}
	}
}

func sortedJobs[V any](m map[events.JobID]V) []events.JobID {
	list := make([]events.JobID, 0, len(m))
	for id := range m {
		list = append(list, id)
	}
	slices.Sort(list)
	return list
}
