package reports

import (
	"cmp"
	"slices"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/reports/register"
)

// Entry is an event as it stands after corrections. Positions cites the event
// itself first, then what corrected it.
type Entry struct {
	events.Event
	Positions []uint64
}

// Interval returns the entry's start and end when its kind has them, otherwise
// the time it occurred, twice.
func (e *Entry) Interval() (start, end events.Time) {
	switch b := e.Body.(type) {
	case events.LoadCollected:
		return b.Start, b.End
	case events.WaterDecanted:
		return b.Start, b.End
	case events.SpoilTipped:
		return b.Start, b.End
	case events.WaterRefilled:
		return b.Start, b.End
	case events.WaterUsed:
		return b.Start, b.End
	}
	return e.Occurred, e.Occurred
}

// Journal is what a report is computed from: the effective entries of each truck
// in the order they occurred, and the register.
type Journal struct {
	Book     *register.Book
	Position uint64    // the last ledger position covered
	Office   []Entry   // entries that concern no truck, in the order they occurred
	Findings []Finding // what is wrong with the record itself: gaps, clocks, dangling corrections
	Count    Count

	recorded map[uint64]*events.Recorded
	byRef    map[events.Ref]uint64
	trucks   map[events.TruckID][]Entry
}

// Count says what became of the events; nothing is dropped unsaid.
type Count struct {
	Events, Effective, Corrected, Voided, Corrections, Revisions int
}

// Resolve builds the journal of recs, which may come in any order and must be all
// events up to position that concern the trucks wanted, with all that concern no
// truck. Corrections and voidings take effect in the order of their positions;
// the latest one not itself voided stands.
func Resolve(recs []events.Recorded, position uint64) *Journal {
	byPosition := make([]*events.Recorded, len(recs))
	for i := range recs {
		byPosition[i] = &recs[i]
	}
	slices.SortFunc(byPosition, func(a, b *events.Recorded) int { return cmp.Compare(a.Position, b.Position) })
	j := &Journal{Book: register.NewBook(recs), Position: position,
		recorded: make(map[uint64]*events.Recorded, len(recs)),
		byRef:    make(map[events.Ref]uint64, len(recs)),
		trucks:   map[events.TruckID][]Entry{}}
	for _, r := range byPosition {
		j.recorded[r.Position] = r
		j.byRef[r.Ref()] = r.Position
	}
	changes := j.changes(byPosition)
	for _, r := range byPosition {
		j.enter(r, changes[r.Position])
	}
	j.order()
	j.checkSequences(byPosition)
	j.checkClocks(byPosition)
	j.checkLate(byPosition)
	SortFindings(j.Findings)
	return j
}

// Trucks returns the trucks that have entries, sorted.
func (j *Journal) Trucks() []events.TruckID {
	ids := make([]events.TruckID, 0, len(j.trucks))
	for id := range j.trucks {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	return ids
}

// Entries returns the effective entries of a truck in the order they occurred.
// The caller must not change them.
func (j *Journal) Entries(id events.TruckID) []Entry { return j.trucks[id] }

// Recorded returns the event at a position, or nil when it was not loaded.
func (j *Journal) Recorded(position uint64) *events.Recorded { return j.recorded[position] }

// PositionOf returns the position of the event that ref identifies.
func (j *Journal) PositionOf(ref events.Ref) (uint64, bool) {
	p, ok := j.byRef[ref]
	return p, ok
}

// change is a correction or voiding, with the position it has in the ledger.
type change struct {
	position uint64
	with     *events.EntryCorrected // nil for a voiding
}

// changes returns, by the position of the entry changed, its standing changes in
// ledger order.
func (j *Journal) changes(byPosition []*events.Recorded) map[uint64][]change {
	root := map[uint64]uint64{} // a correction's position to that of the entry it is about
	withdrawn := map[uint64]bool{}
	all := map[uint64][]change{}
	for _, r := range byPosition {
		var ref events.Ref
		c := change{position: r.Position}
		switch b := r.Body.(type) {
		case events.EntryCorrected:
			ref, c.with = b.Refers, &b
		case events.EntryVoided:
			ref = b.Refers
		default:
			continue
		}
		j.Count.Corrections++
		target, ok := j.byRef[ref]
		if !ok || target >= r.Position {
			j.find(DanglingCorrection, r, "it refers to %s, which is not in the ledger before it", ref)
			continue
		}
		of, chained := root[target]
		if !chained {
			of = target
		}
		if chained && c.with == nil {
			withdrawn[target] = true // voiding a correction brings back what stood before it
			root[r.Position] = of
			continue
		}
		original := j.recorded[of]
		if !events.Correctable(original.Kind()) {
			j.find(DanglingCorrection, r, "it refers to a %s event, which cannot be changed", original.Kind())
			continue
		}
		if c.with != nil && c.with.Replacement.Body.Kind() != original.Kind() {
			j.find(DanglingCorrection, r, "it would turn a %s event into a %s event", original.Kind(), c.with.Replacement.Body.Kind())
			continue
		}
		root[r.Position] = of
		all[of] = append(all[of], c)
	}
	for of, list := range all {
		all[of] = slices.DeleteFunc(list, func(c change) bool { return withdrawn[c.position] })
	}
	return all
}

// enter puts r, as its changes leave it, into the journal.
func (j *Journal) enter(r *events.Recorded, changes []change) {
	j.Count.Events++
	switch r.Kind() {
	case events.KindEntryCorrected, events.KindEntryVoided:
		return
	case events.KindRegisterRevised:
		j.Count.Revisions++
		return
	}
	e := Entry{Event: r.Event, Positions: []uint64{r.Position}}
	for _, c := range changes {
		e.Positions = append(e.Positions, c.position)
	}
	if n := len(changes); n > 0 {
		last := changes[n-1].with
		if last == nil {
			j.Count.Voided++
			return
		}
		j.Count.Corrected++
		apply(&e.Event, last.Replacement)
	}
	j.Count.Effective++
	if e.Truck == "" {
		j.Office = append(j.Office, e)
		return
	}
	j.trucks[e.Truck] = append(j.trucks[e.Truck], e)
}

func apply(e *events.Event, r events.Replacement) {
	e.Body = r.Body
	if !r.Occurred.IsZero() {
		e.Occurred = r.Occurred
	}
	if r.Operator != "" {
		e.Operator = r.Operator
	}
	if r.Job != "" {
		e.Job = r.Job
	}
}

// order sorts entries by the time they occurred, then source and sequence, so
// that the order in which events came never shows.
func (j *Journal) order() {
	byTime := func(a, b Entry) int {
		return cmp.Or(cmp.Compare(a.Occurred.UnixMS, b.Occurred.UnixMS), cmp.Compare(a.Source, b.Source),
			cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.ID, b.ID))
	}
	slices.SortFunc(j.Office, byTime)
	for _, list := range j.trucks {
		slices.SortFunc(list, byTime)
	}
}

// checkSequences finds the numbers that trucks have counted and that are not in
// the ledger. Office desks are left out: a journal may hold a part of theirs.
func (j *Journal) checkSequences(byPosition []*events.Recorded) {
	seen := map[events.TruckID]*chain.Sequence{}
	last := map[events.TruckID]*events.Recorded{}
	for _, r := range byPosition {
		if r.Source != events.TruckSource(r.Truck) {
			continue
		}
		if seen[r.Truck] == nil {
			seen[r.Truck] = &chain.Sequence{}
		}
		seen[r.Truck].Add(r.Seq)
		last[r.Truck] = r
	}
	for _, id := range j.Trucks() {
		if seen[id] == nil {
			continue
		}
		for _, g := range seen[id].Gaps() {
			j.find(SequenceGap, last[id], "events %d to %d of truck %s have not come", g.From, g.To-1, id)
		}
	}
}

// Clock bounds: an event may not have happened later than the hub stored it, but
// for what two honest clocks differ by.
const clockToleranceMS = 2 * 60 * 1000

func (j *Journal) checkClocks(byPosition []*events.Recorded) {
	for _, r := range byPosition {
		if ahead := r.Occurred.UnixMS - r.At.UnixMS; ahead > clockToleranceMS {
			j.find(ClockAhead, r, "it says %s, %d s after the ledger stored it", r.Occurred, ahead/1000)
		}
	}
}

// checkLate finds events that came after a report which should have held them.
func (j *Journal) checkLate(byPosition []*events.Recorded) {
	for i := range j.Office {
		issued, ok := j.Office[i].Body.(events.ReportIssued)
		if !ok {
			continue
		}
		n, first := 0, (*events.Recorded)(nil)
		for _, r := range byPosition {
			late := r.Position > issued.Position && r.Truck != "" && !r.Occurred.Before(issued.From) && r.Occurred.Before(issued.To)
			if !late || issued.Truck != "" && issued.Truck != r.Truck || issued.Job != "" && issued.Job != r.Job {
				continue
			}
			if n++; first == nil {
				first = r
			}
		}
		if n > 0 {
			j.find(LateAfterIssue, first, "%d events of the period came after %s %s was issued at position %d", n, issued.Report, issued.Number, issued.Position)
		}
	}
}

func (j *Journal) find(code Code, r *events.Recorded, format string, args ...any) {
	f := NewFinding(code, r.Truck, r.Occurred, []uint64{r.Position}, format, args...)
	f.Job = r.Job
	j.Findings = append(j.Findings, f)
}
