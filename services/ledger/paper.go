package ledger

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/events/wire"
	"spoilbook/reports"
	"spoilbook/reports/cells"
	"spoilbook/reports/paper"
	"spoilbook/reports/register"
)

// Desk is a ledger in which somebody enters something: one of this process, or one reached over a network.
type Desk interface {
	Events(ctx context.Context, q EventQuery) ([]Stored, error)
	Submit(ctx context.Context, msgs []Message) (Ticket, error)
	Await(ctx context.Context, t Ticket) (Fates, error)
}

// PaperState says what a line of a sheet is to the ledger.
type PaperState string

// The states.
const (
	PaperNew     PaperState = "new"     // not recorded yet
	PaperSame    PaperState = "same"    // recorded, and says the same
	PaperChanged PaperState = "changed" // recorded, and says something else: it would be corrected
	PaperVoided  PaperState = "voided"  // recorded and voided since; it stays so
)

// PaperLine is a line of a sheet with what the ledger has of it.
type PaperLine struct {
	paper.Line
	State PaperState
	Was   *reports.Entry  // as it stands now, where it is recorded
	Twice []reports.Entry // what others recorded of the same truck, kind and time
}

// PaperPlan says what recording a workbook would do.
type PaperPlan struct {
	Lines  []PaperLine
	Gone   []reports.Entry // recorded from these sheets before, and not on them now
	Digest string          // of all that would be recorded, for whoever looked at it
	made   []events.Event
}

// Count returns how many lines have a state.
func (p *PaperPlan) Count(s PaperState) int {
	n := 0
	for i := range p.Lines {
		if p.Lines[i].State == s {
			n++
		}
	}
	return n
}

// Doubled returns how many new lines are recorded by others already, as it seems.
func (p *PaperPlan) Doubled() int {
	n := 0
	for i := range p.Lines {
		if len(p.Lines[i].Twice) > 0 {
			n++
		}
	}
	return n
}

// Events returns what would be recorded.
func (p *PaperPlan) Events() []events.Event { return p.made }

// PaperEntry is a workbook that somebody enters.
type PaperEntry struct {
	Workbook *cells.Workbook
	Zone     string // of sheets that name none
	Author   string // of corrections
	Reason   string // of corrections; without one nothing is corrected
	EvenSo   bool   // also what others recorded already, as it seems
	VoidGone bool   // void what the same sheets said before and say no longer
	Digest   string // of the plan that was looked at, empty where none was
}

// PlanPaper reads a workbook and says what recording it would do; it records nothing. What is wrong with the workbook is a bad request whose
// cause is a [*cells.Problems].
func PlanPaper(ctx context.Context, d Desk, e PaperEntry, now time.Time) (*PaperPlan, error) {
	r := &paperReading{ctx: ctx, desk: d}
	if err := r.read(EventQuery{Kind: events.KindRegisterRevised}); err != nil {
		return nil, err
	}
	o := paper.Options{Book: register.NewBook(r.recorded), Zones: time.LoadLocation, Zone: e.Zone}
	if _, dockets := paper.Wants(e.Workbook); dockets {
		if err := r.changes(); err != nil {
			return nil, err
		}
		if err := r.read(EventQuery{Kind: events.KindSpoilTipped}); err != nil {
			return nil, err
		}
		o.Tips = tipsIn(r.journal())
	}
	lines, err := paper.Read(e.Workbook, o)
	if err == nil {
		err = notAhead(lines, now)
	}
	if err != nil {
		return nil, Wrap(BadRequest, err, "the workbook can not be taken, and nothing of it was recorded")
	}
	if err := r.around(lines); err != nil {
		return nil, err
	}
	return r.plan(lines, e, now)
}

// notAhead refuses what would be quarantined because it has not happened yet.
func notAhead(lines []paper.Line, now time.Time) error {
	p := &cells.Problems{}
	for _, l := range lines {
		if l.Event.Occurred.UnixMS > now.Add(24*time.Hour).UnixMilli() {
			p.Add(cells.Problem{Sheet: l.Sheet, Cell: l.Cell, Found: l.Event.Occurred.String(), Allowed: "what has happened already; look at the date"})
		}
	}
	return p.Err()
}

// paperReading gathers the events that a plan rests on.
type paperReading struct {
	ctx      context.Context
	desk     Desk
	recorded []events.Recorded
	have     map[uint64]bool
	changed  bool
}

// read adds the events that a query finds.
func (r *paperReading) read(q EventQuery) error {
	if r.have == nil {
		r.have = map[uint64]bool{}
	}
	for q.Limit = MaxPage; ; {
		list, err := r.desk.Events(r.ctx, q)
		if err != nil {
			return err
		}
		for i := range list {
			if p := list[i].Position; !r.have[p] {
				r.have[p] = true
				r.recorded = append(r.recorded, events.Recorded{Event: list[i].Event, Position: p, At: events.TimeOf(list[i].Recorded.UTC()), Hash: list[i].Hash})
			}
		}
		if len(list) < q.Limit {
			return nil
		}
		q.After = list[len(list)-1].Position
	}
}

// changes adds all corrections and voidings.
func (r *paperReading) changes() error {
	if r.changed {
		return nil
	}
	r.changed = true
	for _, k := range []events.Kind{events.KindEntryCorrected, events.KindEntryVoided} {
		if err := r.read(EventQuery{Kind: k}); err != nil {
			return err
		}
	}
	return nil
}

// around adds what concerns the trucks and the sources of some lines.
func (r *paperReading) around(lines []paper.Line) error {
	if err := r.changes(); err != nil {
		return err
	}
	seen := map[EventQuery]bool{}
	for i := range lines {
		e := &lines[i].Event
		for _, q := range []EventQuery{{Truck: e.Truck}, {Source: e.Source}} {
			if q == (EventQuery{}) || seen[q] {
				continue
			}
			seen[q] = true
			if err := r.read(q); err != nil {
				return err
			}
		}
	}
	return nil
}

func (r *paperReading) journal() *reports.Journal {
	last := uint64(0)
	for i := range r.recorded {
		last = max(last, r.recorded[i].Position)
	}
	return reports.Resolve(r.recorded, last)
}

func tipsIn(j *reports.Journal) []paper.Tip {
	var list []paper.Tip
	for _, truck := range j.Trucks() {
		for _, e := range j.Entries(truck) {
			if b, ok := e.Body.(events.SpoilTipped); ok {
				list = append(list, paper.Tip{Ref: e.Ref(), Truck: truck, Facility: b.Facility, Start: b.Start, End: b.End})
			}
		}
	}
	return list
}

// plan holds the lines against what is recorded, and makes the events.
func (r *paperReading) plan(lines []paper.Line, e PaperEntry, now time.Time) (*PaperPlan, error) {
	j := r.journal()
	standing, own := map[events.Ref]*reports.Entry{}, map[events.Source]uint64{}
	index := func(list []reports.Entry) {
		for i := range list {
			standing[list[i].Ref()] = &list[i]
		}
	}
	index(j.Office)
	for _, truck := range j.Trucks() {
		index(j.Entries(truck))
	}
	for i := range r.recorded {
		own[r.recorded[i].Source] = max(own[r.recorded[i].Source], r.recorded[i].Seq)
	}
	p := &PaperPlan{}
	hash := sha256.New()
	for _, l := range lines {
		one := PaperLine{Line: l, State: PaperNew, Was: standing[l.Event.Ref()]}
		_, known := j.PositionOf(l.Event.Ref())
		switch {
		case known && one.Was == nil:
			one.State = PaperVoided
		case known:
			same, err := saysTheSame(one.Was, &l.Event)
			if err != nil {
				return nil, err
			}
			if one.State = PaperChanged; same {
				one.State = PaperSame
			}
		default:
			one.Twice = doubled(j.Entries(l.Event.Truck), &l.Event)
		}
		if made, ok := r.event(&one, e, now); ok {
			own[made.Source]++
			made.Seq = own[made.Source]
			p.made = append(p.made, made)
			body, err := wire.EncodeData(l.Event.Body)
			if err != nil {
				return nil, Wrap(Internal, err, "plan of line %s", l.Label)
			}
			fmt.Fprintf(hash, "%s %s %s %s %s\n", one.State, l.Event.Ref(), l.Event.Occurred, l.Event.Job, body)
		}
		p.Lines = append(p.Lines, one)
	}
	p.Gone = gone(j, lines)
	for i := range p.Gone {
		fmt.Fprintf(hash, "gone %s\n", p.Gone[i].Ref())
		if e.VoidGone {
			voided := r.voiding(&p.Gone[i], e, now)
			own[voided.Source]++
			voided.Seq = own[voided.Source]
			p.made = append(p.made, voided)
		}
	}
	p.Digest = hex.EncodeToString(hash.Sum(nil))
	return p, nil
}

// voiding makes what voids an entry that stands on the sheets no longer.
func (r *paperReading) voiding(was *reports.Entry, e PaperEntry, now time.Time) events.Event {
	return events.Event{ID: was.ID + "-v", Source: was.Source, Occurred: events.TimeOf(now.In(time.FixedZone("", int(was.Occurred.OffsetMinutes)*60))), Truck: was.Truck,
		Origin: events.FromOffice, Body: events.EntryVoided{Refers: was.Ref(), Reason: orToBeSaid(e.Reason), Author: cmp.Or(e.Author, "Office")}}
}

// orToBeSaid stands in for a reason in a plan; nothing is recorded without one.
func orToBeSaid(reason string) string {
	if strings.TrimSpace(reason) == "" {
		return "(to be said)"
	}
	return reason
}

// event makes what is to be recorded of a line, if anything is.
func (r *paperReading) event(l *PaperLine, e PaperEntry, now time.Time) (events.Event, bool) {
	switch l.State {
	case PaperNew:
		return l.Event, true
	case PaperChanged:
		earlier := 0
		for i := range r.recorded {
			if b, ok := r.recorded[i].Body.(events.EntryCorrected); ok && b.Refers == l.Event.Ref() {
				earlier++
			}
		}
		return events.Event{ID: fmt.Sprintf("%s-c%d", l.Event.ID, earlier+1), Source: l.Event.Source, Occurred: events.TimeOf(now.In(time.FixedZone("", int(l.Event.Occurred.OffsetMinutes)*60))),
			Truck: l.Event.Truck, Job: l.Event.Job, Operator: l.Event.Operator, Origin: events.FromOffice,
			Body: events.EntryCorrected{Refers: l.Event.Ref(), Reason: orToBeSaid(e.Reason), Author: cmp.Or(e.Author, "Office"),
				Replacement: events.Replacement{Occurred: l.Event.Occurred, Operator: l.Event.Operator, Job: l.Event.Job, Body: l.Event.Body}}}, true
	}
	return events.Event{}, false
}

// saysTheSame reports whether an entry as it stands is what a line says. A name that the line leaves out can not be taken away by a correction,
// so it makes no difference.
func saysTheSame(was *reports.Entry, e *events.Event) (bool, error) {
	have, err := wire.EncodeData(was.Body)
	if err != nil {
		return false, Wrap(Internal, err, "event %s", was.Ref())
	}
	want, err := wire.EncodeData(e.Body)
	if err != nil {
		return false, Wrap(Internal, err, "event %s", e.Ref())
	}
	return bytes.Equal(have, want) && was.Occurred.UnixMS == e.Occurred.UnixMS && (e.Job == "" || was.Job == e.Job) && (e.Operator == "" || was.Operator == e.Operator), nil
}

// aboutThen is how far apart two entries can be that are about one moment.
const aboutThen = 5 * time.Minute

// doubled returns what other sources recorded of the same kind and time.
func doubled(entries []reports.Entry, e *events.Event) []reports.Entry {
	line := reports.Entry{Event: *e}
	start, end := line.Interval()
	var list []reports.Entry
	for i := range entries {
		other := &entries[i]
		if other.Kind() != e.Kind() || other.Source == e.Source {
			continue
		}
		s, t := other.Interval()
		near := s.Before(end) && start.Before(t)
		if start == end {
			apart := s.UnixMS - start.UnixMS
			near = max(apart, -apart) <= aboutThen.Milliseconds()
		}
		if near {
			list = append(list, *other)
		}
	}
	return list
}

// gone returns the entries that stand and came from the same sheets as some lines, but are on none of them.
func gone(j *reports.Journal, lines []paper.Line) []reports.Entry {
	on, sheets := map[events.Ref]bool{}, map[string]bool{}
	trucks := map[events.TruckID]bool{}
	for i := range lines {
		e := &lines[i].Event
		on[e.Ref()] = true
		if of, ok := sheetOf(e.ID); ok {
			sheets[string(e.Source)+"#"+of], trucks[e.Truck] = true, true
		}
	}
	var list []reports.Entry
	for _, truck := range j.Trucks() {
		for _, e := range j.Entries(truck) {
			if of, ok := sheetOf(e.ID); ok && trucks[truck] && sheets[string(e.Source)+"#"+of] && !on[e.Ref()] {
				list = append(list, e)
			}
		}
	}
	return list
}

// sheetOf returns the day and the sheet number that an id begins with.
func sheetOf(id string) (string, bool) {
	parts := strings.SplitN(id, "-", 3)
	if len(parts) != 3 || len(parts[0]) != 8 || strings.ContainsFunc(parts[0], func(r rune) bool { return r < '0' || r > '9' }) {
		return "", false
	}
	return parts[0] + "-" + parts[1], true
}

// RecordPaper records a workbook as its plan says, in one submission after all of it was found right, and returns the plan that was followed.
// Nothing is recorded where a correction has no reason, where others recorded the same and EvenSo is not said, or where the ledger has changed
// since the plan with the digest was made.
func RecordPaper(ctx context.Context, d Desk, e PaperEntry, now time.Time) (*PaperPlan, Fates, error) {
	if g, ok := d.(interface{ entering() func() }); ok {
		defer g.entering()()
	}
	p, err := PlanPaper(ctx, d, e, now)
	if err != nil {
		return nil, Fates{}, err
	}
	if err := e.follows(p); err != nil {
		return p, Fates{}, err
	}
	msgs, err := MessagesOf(p.made)
	if err != nil || len(msgs) == 0 {
		return p, Fates{}, Wrap(BadRequest, err, "record the workbook")
	}
	t, err := d.Submit(ctx, msgs)
	if err != nil {
		return p, Fates{}, err
	}
	f, err := d.Await(ctx, t)
	if err != nil || f.Quarantined == 0 {
		return p, f, err
	}
	after, err := PlanPaper(ctx, d, e, now)
	if err != nil {
		return p, f, err
	}
	if left := len(after.made); left > 0 {
		return after, f, Fail(Conflict, "%d of %d entries were not recorded, because somebody entered others for the same truck at the same moment; record the workbook again, which changes nothing that is recorded", left, len(msgs))
	}
	return p, f, nil
}

// follows reports why the plan must not be followed.
func (e *PaperEntry) follows(p *PaperPlan) error {
	switch {
	case e.Digest != "" && e.Digest != p.Digest:
		return Fail(Conflict, "the ledger has changed since you looked: something else would be recorded now")
	case p.Count(PaperChanged) > 0 && strings.TrimSpace(e.Reason) == "":
		return Fail(BadRequest, "%d lines say something else than what is recorded of them (%s): say why they are corrected", p.Count(PaperChanged), p.labels(func(l *PaperLine) bool { return l.State == PaperChanged }))
	case e.VoidGone && len(p.Gone) > 0 && strings.TrimSpace(e.Reason) == "":
		return Fail(BadRequest, "%d entries stand on the sheets no longer: say why they are voided", len(p.Gone))
	case p.Count(PaperVoided) > 0:
		return Fail(BadRequest, "%d lines were recorded and voided since (%s): enter what happened under line numbers that were not used before", p.Count(PaperVoided), p.labels(func(l *PaperLine) bool { return l.State == PaperVoided }))
	case p.Doubled() > 0 && !e.EvenSo:
		return Fail(BadRequest, "%d lines seem to be recorded already by others, of the same truck, kind and time (%s): leave them out, or say that they are to be recorded even so", p.Doubled(), p.labels(func(l *PaperLine) bool { return len(l.Twice) > 0 }))
	case len([]rune(e.Reason)) > 400:
		return Fail(BadRequest, "the reason has %d characters, at most 400 are kept", len([]rune(e.Reason)))
	}
	return nil
}

// labels names lines that hold, a few of them.
func (p *PaperPlan) labels(holds func(*PaperLine) bool) string {
	var list []string
	for i := range p.Lines {
		if l := &p.Lines[i]; holds(l) {
			list = append(list, l.Sheet+" "+l.Label)
		}
	}
	list = slices.Compact(list)
	return some(list)
}

// entering lets one at a time enter what is counted by a desk of this process.
func (l *Ledger) entering() func() {
	l.issuing.Lock()
	return l.issuing.Unlock
}
