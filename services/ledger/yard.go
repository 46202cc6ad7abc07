package ledger

import (
	"context"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/timeline"
	"spoilbook/reports/yard"
)

// Yard says how the trucks, or the one named, stand at a moment; the zero time is now, by what is recorded so far.
func (l *Ledger) Yard(ctx context.Context, truck events.TruckID, at time.Time) (*yard.Report, error) {
	if truck == "" {
		return l.YardOf(ctx, nil, at)
	}
	r, err := l.YardOf(ctx, []events.TruckID{truck}, at)
	if err == nil && len(r.Trucks) == 0 {
		return nil, Fail(NotFound, "the ledger knows no truck %q", truck)
	}
	return r, err
}

// YardOf says how some trucks stand, all of them where none is named. One that nothing is known of is left out.
func (l *Ledger) YardOf(ctx context.Context, trucks []events.TruckID, at time.Time) (*yard.Report, error) {
	head, err := l.store.Head(ctx)
	if err != nil {
		return nil, Wrap(StoreDown, err, "yard")
	}
	j, err := l.journal(ctx, trucks, head.Position)
	if err != nil {
		return nil, Wrap(StoreDown, err, "yard")
	}
	if at.IsZero() {
		at = l.now()
	}
	return yard.Compute(j, trucks, events.TimeOf(at), yard.Options{}), nil
}

// DayQuery asks for a day of trucks.
type DayQuery struct {
	Day    string           // local date, "2026-10-05"; empty is today
	Zone   string           // time zone by which days begin
	Trucks []events.TruckID // only these; all where none is named
	Skip   int              // of the trucks that the day has something of
	Most   int              // trucks to draw; 0 is all
	Now    time.Time        // zero is the clock
	Stand  bool             // say as well how the trucks drawn stand now
}

// DayView is a day of trucks drawn out.
type DayView struct {
	*timeline.Report
	Busy, Idle []events.TruckID // all trucks that the day has something of, or nothing
	Now        events.Time
	Stands     []yard.Standing // of Trucks, where it was asked for
}

// Day draws out a day of trucks by what is recorded so far. Those of which it has something come in the order of their names; of one truck named
// it is drawn even where there is nothing.
func (l *Ledger) Day(ctx context.Context, q DayQuery) (*DayView, error) {
	if q.Now.IsZero() {
		q.Now = l.now()
	}
	loc, err := l.zones(q.Zone)
	if err != nil {
		return nil, Fail(BadRequest, "day: %q is not a time zone of the tz database, such as Europe/Dublin", q.Zone)
	}
	if q.Day == "" {
		q.Day = q.Now.In(loc).Format(time.DateOnly)
	}
	period, err := reports.Days(q.Day, q.Day, loc)
	if err != nil {
		return nil, Fail(BadRequest, "day: found %.40q; allowed: a date such as 2026-10-05", q.Day)
	}
	head, err := l.store.Head(ctx)
	if err != nil {
		return nil, Wrap(StoreDown, err, "day")
	}
	j, err := l.journal(ctx, q.Trucks, head.Position)
	if err != nil {
		return nil, Wrap(StoreDown, err, "day")
	}
	v := &DayView{Now: events.TimeOf(q.Now)}
	v.Busy, v.Idle = timeline.Busy(j, period, q.Trucks)
	shown := v.Busy
	if len(q.Trucks) == 1 {
		if shown = append(v.Busy, v.Idle...); len(shown) == 0 {
			return nil, Fail(NotFound, "the ledger knows no truck %q", q.Trucks[0])
		}
	}
	shown = shown[min(max(0, q.Skip), len(shown)):]
	if q.Most > 0 {
		shown = shown[:min(q.Most, len(shown))]
	}
	v.Report = timeline.Compute(j, period, shown, timeline.Options{Now: v.Now})
	if q.Stand && len(shown) > 0 {
		v.Stands = yard.Compute(j, shown, v.Now, yard.Options{}).Trucks
	}
	return v, nil
}
