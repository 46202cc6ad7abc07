package ledger

import (
	"context"

	"spoilbook/events"
	"spoilbook/reports"
)

// RegisterDesk is the office desk that counts revisions of the register.
const RegisterDesk = "register"

// RegisterRevisions returns every revision of the register as it was recorded, in the order of positions.
func (l *Ledger) RegisterRevisions(ctx context.Context) ([]events.Recorded, error) {
	var list []events.Recorded
	err := l.eachEvent(ctx, EventQuery{Kind: events.KindRegisterRevised}, func(s *Stored) {
		list = append(list, events.Recorded{Event: s.Event, Position: s.Position, At: events.TimeOf(s.Recorded.UTC()), Hash: s.Hash})
	})
	return list, err
}

// Revise records revisions of the register that make says, given what the register holds and the last number that its desk has counted, and
// waits until they are recorded. One at a time does so in this process; where another process counted the same number at the same time, nothing
// of it is lost and the answer is a conflict. make may refuse.
func (l *Ledger) Revise(ctx context.Context, make func(known []events.Recorded, last uint64) ([]events.Event, error)) (Fates, error) {
	defer l.entering()()
	known, err := l.RegisterRevisions(ctx)
	if err != nil {
		return Fates{}, err
	}
	last := uint64(0)
	for i := range known {
		if known[i].Source == events.OfficeSource(RegisterDesk) {
			last = max(last, known[i].Seq)
		}
	}
	list, err := make(known, last)
	if err != nil {
		return Fates{}, err
	}
	msgs, err := MessagesOf(list)
	if err != nil || len(msgs) == 0 {
		return Fates{}, Wrap(BadRequest, err, "revise the register")
	}
	t, err := l.Submit(ctx, msgs)
	if err != nil {
		return Fates{}, err
	}
	f, err := l.Await(ctx, t)
	if err != nil || f.Quarantined == 0 {
		return f, err
	}
	// Others' messages may be among those that were quarantined.
	for i := range list {
		ok, err := l.recorded(ctx, &list[i])
		if err != nil {
			return f, err
		}
		if !ok {
			return f, Fail(Conflict, "somebody else revised the register at the same moment; look at what it says now and revise it again")
		}
	}
	return f, nil
}

// Foreseen is how a report would change.
type Foreseen struct {
	Report string
	Period reports.Period
	Issued *Issued          // where the report was given out; it stays as it is, and would differ from what it says
	Was    reports.Document // as the ledger stands
	Is     reports.Document // as it would be
}

// maxForeseen is how many issued reports are looked at, the latest first.
const maxForeseen = 12

// Foresee computes every report of some periods, and issued reports that reach beyond the time from which the first revision holds, as the
// ledger stands and as it would be with the revisions. It returns those that would differ, and how many issued reports were not looked at. It
// reads all events, so it takes as long as a report over them, some times over.
func (l *Ledger) Foresee(ctx context.Context, revisions []events.RegisterRevised, periods []reports.Period) (list []Foreseen, left int, err error) {
	head, err := l.Head(ctx)
	if err != nil || len(revisions) == 0 {
		return nil, 0, err
	}
	j, err := l.Journal(ctx, "", head.Position)
	if err != nil {
		return nil, 0, Wrap(StoreDown, err, "what a revision would change")
	}
	supposed := make([]events.Recorded, len(revisions))
	from := revisions[0].EffectiveFrom
	for i, rev := range revisions {
		supposed[i] = events.Recorded{Position: head.Position + uint64(i) + 1, Event: events.Event{ID: "supposed", Source: events.OfficeSource("supposed"), Seq: uint64(i) + 1, Occurred: rev.EffectiveFrom, Body: rev}}
		if rev.EffectiveFrom.Before(from) {
			from = rev.EffectiveFrom
		}
	}
	f := foresight{ledger: l, head: head, now: j, then: j.Suppose(supposed...)}
	for _, p := range periods {
		for _, name := range ReportNames() {
			if err := f.report(ctx, ReportQuery{Name: name, Period: p, UpTo: head.Position}, nil); err != nil {
				return nil, 0, err
			}
		}
	}
	issued, err := l.IssuedReports(ctx)
	if err != nil {
		return nil, 0, err
	}
	looked := 0
	for i := len(issued) - 1; i >= 0; i-- {
		if !from.Before(issued[i].To) {
			continue
		}
		if looked++; looked > maxForeseen {
			left++
			continue
		}
		zone, err := l.zones(issued[i].TimeZone)
		if err != nil {
			return nil, 0, Wrap(Damaged, err, "the time zone of %s", issued[i].Number)
		}
		q := ReportQuery{Name: issued[i].Report, Period: reports.Period{From: issued[i].From, To: issued[i].To, Zone: zone}, UpTo: head.Position,
			Filter: reports.Filter{Truck: issued[i].Truck, Job: issued[i].Job, Client: issued[i].Client}, Choices: issued[i].Choices()}
		if err := f.report(ctx, q, &issued[i]); err != nil {
			return nil, 0, err
		}
	}
	return f.list, left, nil
}

// foresight compares reports over two journals.
type foresight struct {
	ledger    *Ledger
	head      Head
	now, then *reports.Journal
	list      []Foreseen
}

func (f *foresight) report(ctx context.Context, q ReportQuery, issued *Issued) error {
	if err := ctx.Err(); err != nil {
		return Wrap(TimedOut, err, "what a revision would change")
	}
	choices, err := q.Choices.settled(q.Name)
	if err != nil {
		return err
	}
	q.Choices = choices
	compute, err := computation(q)
	if err != nil {
		return err
	}
	was, err := f.ledger.compose(q, f.head, f.now, compute)
	if err != nil {
		return err
	}
	is, err := f.ledger.compose(q, f.head, f.then, compute)
	if err != nil {
		return err
	}
	if d := reports.Differ(&was.Document, &is.Document, q.Period); d.Any() {
		f.list = append(f.list, Foreseen{Report: q.Name, Period: q.Period, Issued: issued, Was: was.Document, Is: is.Document})
	}
	return nil
}
