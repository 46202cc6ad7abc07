package demo

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/register"
)

// office is the yard's desk: it enters dockets as they come, reads meters on
// Fridays, and puts entries right.
type office struct {
	book  *register.Book
	zone  *time.Location
	rng   *rand.Rand
	marks map[string]events.Event
	swap  swap
	seq   uint64
	log   []events.Event
}

func (o *office) emit(at time.Time, truck events.TruckID, job events.JobID, body events.Body) {
	o.seq++
	o.log = append(o.log, events.Event{
		ID: fmt.Sprintf("YARD-%06d", o.seq), Source: events.OfficeSource("yard"), Seq: o.seq,
		Occurred: events.TimeOf(at), Truck: truck, Job: job, Origin: events.FromOffice, Body: body,
	})
}

// day writes what the office enters on a date and returns it.
func (o *office) day(date string, tips []tip, meters []reading) []events.Event {
	o.log = nil
	at := local(date, "09:05", o.zone)
	o.puttingRight(date, at)
	for i, t := range tips {
		if !t.plan.never && t.due(o.zone) == date {
			o.docket(at.Add(time.Duration(4*i%180+12)*time.Minute), i, t)
		}
	}
	slices.SortStableFunc(o.log, func(a, b events.Event) int { return cmp.Compare(a.Occurred.UnixMS, b.Occurred.UnixMS) })
	o.renumber()
	o.keepDocket(tips)
	if local(date, "12:00", o.zone).Weekday() == time.Friday || date == afterMonth {
		for i, m := range meters {
			o.emit(local(date, "18:30", o.zone).Add(time.Duration(3*i)*time.Minute), "", "", m.body)
		}
	}
	if o.swap.at.Format(time.DateOnly) == date {
		o.emit(o.swap.at, "", "", o.swap.body)
	}
	return o.log
}

// renumber counts the day's entries in the order in which they were made.
func (o *office) renumber() {
	first := o.seq - uint64(len(o.log)) + 1
	for i := range o.log {
		o.log[i].Seq = first + uint64(i)
		o.log[i].ID = fmt.Sprintf("YARD-%06d", o.log[i].Seq)
	}
}

// afterMonth is the working day on which the last dockets come.
const afterMonth = "2026-11-02"

// due returns the date on which the docket comes.
func (t tip) due(zone *time.Location) string {
	day := time.UnixMilli(t.at.UnixMS).In(zone)
	y, m, d := day.AddDate(0, 0, max(1, t.plan.days)).Date()
	due := time.Date(y, m, d, 12, 0, 0, 0, zone)
	for holiday(due.Format(time.DateOnly)) || due.Weekday() == time.Saturday || due.Weekday() == time.Sunday {
		due = due.AddDate(0, 0, 1)
	}
	return due.Format(time.DateOnly)
}

// docket is what the weighbridge says: the account to within what a weighbridge
// and a level gauge explain, unless the plan says otherwise.
func (o *office) docket(at time.Time, number int, t tip) {
	facility, _ := o.book.Facility(t.facility, t.at)
	unit, _ := o.book.Truck(t.truck, t.at)
	interval := facility.WeighbridgeIntervalKg * 1000
	spread := int64(6)
	if t.assumed {
		spread = 12
	}
	permille := cmp.Or(t.plan.permille, 1000-spread+o.rng.Int64N(2*spread+1))
	net := nearest(reports.MulDiv(t.massG, permille, 1000), interval)
	tare := nearest(unit.TareKg*1000+t.freshML, interval)
	gross := tare + net
	weighed := events.TimeOf(time.UnixMilli(t.at.UnixMS - 90_000).In(o.zone))
	o.emit(at, t.truck, t.job, events.DocketReceived{Tip: t.ref, Facility: t.facility,
		Number: fmt.Sprintf("%s-%05d", t.facility[2:], 30_117+7*number), WeighedAt: weighed,
		GrossG: &gross, TareG: &tare, NetG: net, ScaleIntervalG: interval})
}

func nearest(v, step int64) int64 { return (v + step/2) / step * step }

// puttingRight corrects and voids entries of earlier days.
func (o *office) puttingRight(date string, at time.Time) {
	switch date {
	case "2026-10-06":
		wrong, right := o.marks["typed wrong"], o.marks["typed right"]
		o.emit(at, wrong.Truck, wrong.Job, events.EntryCorrected{Refers: wrong.Ref(), Author: "Yard office",
			Reason:      "volume typed with a wrong first digit; the gauge log shows 2 m3 less",
			Replacement: events.Replacement{Body: right.Body}})
	case "2026-10-13":
		o.answer(at)
	case "2026-10-19":
		twice := o.marks["entered twice"]
		o.emit(at, twice.Truck, twice.Job, events.EntryVoided{Refers: twice.Ref(), Author: "Yard office",
			Reason: "entered by hand although the controller had recorded it"})
	}
}

// keepDocket marks the docket that is far from its tip's account, once it has its
// number.
func (o *office) keepDocket(tips []tip) {
	for _, e := range o.log {
		b, ok := e.Body.(events.DocketReceived)
		if ok && slices.ContainsFunc(tips, func(t tip) bool { return t.ref == b.Tip && t.plan.permille != 0 }) {
			o.marks["docket off"] = e
		}
	}
}

// answer is what the environmental officer found out about that docket. It answers
// both of its findings, which stay.
func (o *office) answer(at time.Time) {
	docket := o.marks["docket off"]
	for _, code := range []reports.Code{reports.DocketDiffers, reports.DocketOverTenPercent} {
		at = at.Add(2 * time.Minute)
		o.emit(at, docket.Truck, docket.Job, events.FindingAnswered{Code: string(code), Refers: docket.Ref(), Outcome: events.AnswerExplained,
			Answer: "asked the facility on 12 October: mud had jammed its weighbridge that afternoon, which was cleaned and checked on the 9th; the account stands",
			Author: "R. Quillane, environmental officer"})
	}
}
