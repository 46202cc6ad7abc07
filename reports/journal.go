package reports

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"sort"

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
	case events.SpoilReturned:
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

	whole    bool // every event up to Position is here
	recorded map[uint64]*events.Recorded
	byRef    map[events.Ref]uint64
	trucks   map[events.TruckID][]Entry
	voided   map[uint64]uint64 // by the position of an entry that does not stand, that of its voiding
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
	return ResolveKept(byPosition, position)
}

// ResolveKept is Resolve for events that are kept in memory, in the order of their positions; journals share them, and nobody changes them.
func ResolveKept(byPosition []*events.Recorded, position uint64) *Journal {
	var revisions []events.Recorded
	for _, r := range byPosition {
		if r.Kind() == events.KindRegisterRevised {
			revisions = append(revisions, *r)
		}
	}
	j := &Journal{Book: register.NewBook(revisions), Position: position, whole: uint64(len(byPosition)) == position,
		recorded: make(map[uint64]*events.Recorded, len(byPosition)),
		byRef:    make(map[events.Ref]uint64, len(byPosition)),
		trucks:   map[events.TruckID][]Entry{},
		voided:   map[uint64]uint64{}}
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
	j.checkLate(byPosition)
	j.checkVoidedTips(byPosition)
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

// Until returns the journal of what had occurred by a moment, that moment included: of each truck and of the
// office the entries up to it. Register, findings and counts are the whole journal's.
func (j *Journal) Until(at events.Time) *Journal {
	until := func(list []Entry) []Entry {
		n := sort.Search(len(list), func(i int) bool { return at.Before(list[i].Occurred) })
		return list[:n:n]
	}
	k := *j
	k.Office, k.trucks = until(j.Office), make(map[events.TruckID][]Entry, len(j.trucks))
	for id, list := range j.trucks {
		k.trucks[id] = until(list)
	}
	return &k
}

// Recorded returns the event at a position, or nil when it was not loaded.
func (j *Journal) Recorded(position uint64) *events.Recorded { return j.recorded[position] }

// PositionOf returns the position of the event that ref identifies.
func (j *Journal) PositionOf(ref events.Ref) (uint64, bool) {
	p, ok := j.byRef[ref]
	return p, ok
}

// Cited returns the ledger positions of all lists once each, in an order that does
// not depend on the order in which events arrived: by when they first said that they
// occurred, then by source and number, with corrections and voidings last. A finding
// that rests on many events alike cites them so, and is about the first.
func (j *Journal) Cited(lists ...[]uint64) []uint64 {
	list := slices.DeleteFunc(Union(lists...), func(p uint64) bool { return j.recorded[p] == nil })
	slices.SortStableFunc(list, func(a, b uint64) int {
		x, y := j.recorded[a], j.recorded[b]
		return cmp.Or(cmp.Compare(changeRank(x), changeRank(y)), cmp.Compare(x.Occurred.UnixMS, y.Occurred.UnixMS),
			cmp.Compare(x.Source, y.Source), cmp.Compare(x.Seq, y.Seq), cmp.Compare(x.ID, y.ID))
	})
	return list
}

// changeRank is 1 for an event that changes another, otherwise 0.
func changeRank(r *events.Recorded) int {
	if k := r.Kind(); k == events.KindEntryCorrected || k == events.KindEntryVoided {
		return 1
	}
	return 0
}

// change is a correction or voiding, with the position it has in the ledger and
// that of the entry it is about.
type change struct {
	position uint64
	of       uint64
	with     *events.EntryCorrected // nil for a voiding
}

// changes returns, by the position of the entry changed, its standing changes in
// ledger order.
func (j *Journal) changes(byPosition []*events.Recorded) map[uint64][]change {
	known := map[uint64]change{} // every change that can be applied, by its position
	var order []change
	withdraws := map[uint64]uint64{} // a voiding of a change to that change
	for _, r := range byPosition {
		c := change{position: r.Position}
		var ref events.Ref
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
			if ok || j.whole || r.Truck != "" { // otherwise it may be about a truck that was not asked for
				j.find(DanglingCorrection, r, "it refers to %s, which is not in the ledger before it", ref)
			}
			continue
		}
		earlier, chained := known[target]
		if c.of = target; chained {
			c.of = earlier.of
		}
		if why := unfit(r, j.recorded[c.of], c.with); why != "" {
			j.find(DanglingCorrection, r, "%s", why)
			continue
		}
		known[c.position] = c
		order = append(order, c)
		if chained && c.with == nil {
			withdraws[c.position] = target
		}
	}
	return standing(order, withdraws)
}

// unfit says why r cannot change an entry with a correction, or void it where
// that is nil; it returns "" when it can. A change that names another truck than
// the entry's would be seen by the reports of one truck and not of the other.
func unfit(r, entry *events.Recorded, with *events.EntryCorrected) string {
	switch kind := entry.Kind(); {
	case !events.Correctable(kind):
		return fmt.Sprintf("it refers to a %s event, which cannot be changed", kind)
	case with != nil && with.Replacement.Body.Kind() != kind:
		return fmt.Sprintf("it would turn a %s event into a %s event", kind, with.Replacement.Body.Kind())
	case r.Truck != "" && r.Truck != entry.Truck:
		return fmt.Sprintf("it names truck %s and refers to an entry of truck %q", r.Truck, entry.Truck)
	}
	return ""
}

// standing leaves out of order, which is that of the ledger, the changes that a
// voiding which itself stands withdraws, and those voidings: what stood before
// the change stands again. A change refers to what came before it, so whether a
// voiding stands is known once all after it are.
func standing(order []change, withdraws map[uint64]uint64) map[uint64][]change {
	withdrawn := map[uint64]bool{}
	for _, c := range slices.Backward(order) {
		if target, ok := withdraws[c.position]; ok && !withdrawn[c.position] {
			withdrawn[target] = true
		}
	}
	left := map[uint64][]change{}
	for _, c := range order {
		if _, withdrawal := withdraws[c.position]; !withdrawal && !withdrawn[c.position] {
			left[c.of] = append(left[c.of], c)
		}
	}
	return left
}

// enter puts r, as its changes leave it, into the journal.
func (j *Journal) enter(r *events.Recorded, changes []change) {
	j.Count.Events++
	switch r.Kind() {
	case events.KindEntryCorrected, events.KindEntryVoided:
		j.checkClock(r, r.Occurred)
		return
	case events.KindRegisterRevised:
		j.Count.Revisions++
		j.checkClock(r, r.Occurred)
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
			j.voided[r.Position] = changes[n-1].position
			return
		}
		j.Count.Corrected++
		apply(&e.Event, last.Replacement)
	}
	j.Count.Effective++
	j.checkClock(r, e.Occurred)
	if e.Truck == "" {
		j.Office = append(j.Office, e)
		return
	}
	j.trucks[e.Truck] = append(j.trucks[e.Truck], e)
}

// clockToleranceMS is what two honest clocks may differ by.
const clockToleranceMS = 2 * 60 * 1000

// checkClock finds an event that, as it stands, happened later than the hub
// stored it.
func (j *Journal) checkClock(r *events.Recorded, occurred events.Time) {
	if ahead := occurred.UnixMS - r.At.UnixMS; ahead > clockToleranceMS {
		j.find(ClockAhead, r, "it says %s, %d s after the ledger stored it", occurred, ahead/1000)
	}
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
// the ledger. What they count happened some time between the events counted before
// and after them. Office desks are left out: a journal may hold a part of theirs.
func (j *Journal) checkSequences(byPosition []*events.Recorded) {
	seen := map[events.TruckID]*chain.Sequence{}
	for _, r := range byPosition {
		if r.Source != events.TruckSource(r.Truck) {
			continue
		}
		if seen[r.Truck] == nil {
			seen[r.Truck] = &chain.Sequence{}
		}
		seen[r.Truck].Add(r.Seq)
	}
	for _, id := range slices.Sorted(maps.Keys(seen)) {
		if gaps := seen[id].Gaps(); len(gaps) > 0 {
			j.findGaps(id, gaps, byPosition)
		}
	}
}

func (j *Journal) findGaps(id events.TruckID, gaps []chain.Gap, byPosition []*events.Recorded) {
	oldest := events.MustTime("2000-01-01T00:00:00Z") // validation lets nothing older pass
	counted := map[uint64]*events.Recorded{}
	for _, r := range byPosition {
		if r.Source == events.TruckSource(id) {
			counted[r.Seq] = r
		}
	}
	for _, g := range gaps {
		f := j.find(SequenceGap, counted[g.To], "events %d to %d of truck %s have not come", g.From, g.To-1, id)
		f.Job = ""
		f.Since = oldest
		if before := counted[g.From-1]; before != nil {
			f.Since = before.Occurred
			f.Cites = j.Cited(f.Cites, []uint64{before.Position})
		}
	}
}

// maxLateCites bounds how many of the events that came late a finding cites.
const maxLateCites = 50

// checkLate finds events that came after a report which should have held them or
// what they change.
func (j *Journal) checkLate(byPosition []*events.Recorded) {
	for i := range j.Office {
		issued, ok := j.Office[i].Body.(events.ReportIssued)
		if !ok {
			continue
		}
		trucks := j.trucksIn(issued)
		var late []*events.Recorded
		for _, r := range byPosition {
			if r.Position > issued.Position && j.concerns(r, issued, trucks) {
				late = append(late, r)
			}
		}
		if len(late) == 0 {
			continue
		}
		f := j.find(LateAfterIssue, late[0], "%d events of the period came after %s %s was issued at position %d",
			len(late), issued.Report, issued.Number, issued.Position)
		for _, r := range late[1:min(len(late), maxLateCites)] {
			f.Cites = append(f.Cites, r.Position)
		}
	}
}

// trucksIn returns the trucks that worked on what an issued report is about.
func (j *Journal) trucksIn(issued events.ReportIssued) map[events.TruckID]bool {
	trucks := map[events.TruckID]bool{}
	for id, entries := range j.trucks {
		trucks[id] = slices.ContainsFunc(entries, func(e Entry) bool {
			return within(issued, e.Occurred) && j.isAbout(issued, e.Job, e.Occurred)
		})
	}
	return trucks
}

// concerns reports whether r, or the entry that it changes or weighs, belongs in
// an issued report: by the time and job that the entry had or is given. What
// names no job belongs to the jobs its truck worked on.
func (j *Journal) concerns(r *events.Recorded, issued events.ReportIssued, trucks map[events.TruckID]bool) bool {
	var times []events.Time
	var jobs []events.JobID
	for {
		var ref events.Ref
		switch b := r.Body.(type) {
		case events.EntryCorrected:
			ref = b.Refers
			times, jobs = append(times, b.Replacement.Occurred), append(jobs, b.Replacement.Job)
		case events.EntryVoided:
			ref = b.Refers
		case events.DocketReceived:
			ref = b.Tip
		}
		position, ok := j.byRef[ref]
		if !ok || position >= r.Position {
			break
		}
		r = j.recorded[position]
	}
	if r.Truck == "" || issued.Truck != "" && issued.Truck != r.Truck {
		return false
	}
	times, jobs = append(times, r.Occurred), append(jobs, r.Job)
	about := r.Job == "" && trucks[r.Truck] || slices.ContainsFunc(jobs, func(id events.JobID) bool { return j.isAbout(issued, id, r.Occurred) })
	return about && slices.ContainsFunc(times, func(t events.Time) bool { return within(issued, t) })
}

// isAbout reports whether a report issued for a job or a client is about job.
func (j *Journal) isAbout(issued events.ReportIssued, job events.JobID, at events.Time) bool {
	return Request{Filter: Filter{Job: issued.Job, Client: issued.Client}}.WantsJob(j, job, at)
}

func within(issued events.ReportIssued, t events.Time) bool {
	return !t.Before(issued.From) && t.Before(issued.To)
}

// find adds a finding about r and returns it, for more to be cited.
func (j *Journal) find(code Code, r *events.Recorded, format string, args ...any) *Finding {
	f := NewFinding(code, r.Truck, r.Occurred, []uint64{r.Position}, format, args...)
	f.Job = r.Job
	j.Findings = append(j.Findings, f)
	return &j.Findings[len(j.Findings)-1]
}
