package reports_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

// day is a ledger that is written by hand: entries of truck TM-01 and, from the
// office, what changes them.
type day struct {
	recs []events.Recorded
	seqs map[events.Source]uint64
}

// add records an event of a source, which counts on, and returns its reference.
func (d *day) add(source events.Source, truck events.TruckID, occurred string, body events.Body) events.Ref {
	if d.seqs == nil {
		d.seqs = map[events.Source]uint64{}
	}
	d.seqs[source]++
	position := uint64(len(d.recs)) + 1
	at := events.MustTime(occurred)
	d.recs = append(d.recs, events.Recorded{Position: position, At: events.Time{UnixMS: at.UnixMS + 1000},
		Event: events.Event{ID: fmt.Sprintf("e%d", position), Source: source, Seq: d.seqs[source], Occurred: at, Truck: truck, Job: "J-1", Body: body}})
	return d.recs[position-1].Ref()
}

func (d *day) truck(occurred string, body events.Body) events.Ref {
	return d.add("/truck/TM-01", "TM-01", occurred, body)
}

func (d *day) office(body events.Body) events.Ref {
	return d.add("/office/yard", "", "2026-10-05T18:00:00+01:00", body)
}

func (d *day) correct(ref events.Ref, body events.Body) events.Ref {
	return d.office(events.EntryCorrected{Refers: ref, Reason: "r", Author: "a", Replacement: events.Replacement{Body: body}})
}

func (d *day) void(ref events.Ref) events.Ref {
	return d.office(events.EntryVoided{Refers: ref, Reason: "r", Author: "a"})
}

func (d *day) resolve() *reports.Journal { return reports.Resolve(d.recs, uint64(len(d.recs))) }

func gauge(ml int64) events.Body {
	return events.TankGauged{Tank: events.FreshTank, Volume: events.Volume{VolumeML: ml, Basis: events.Measured}}
}

// volumes shows the entries of TM-01 as the volumes gauged and positions cited.
func volumes(j *reports.Journal) string {
	shown := []string{}
	for _, e := range j.Entries("TM-01") {
		if g, ok := e.Body.(events.TankGauged); ok {
			shown = append(shown, fmt.Sprintf("%d%v", g.Volume.VolumeML, e.Positions))
		}
	}
	return strings.Join(shown, " ")
}

func codes(j *reports.Journal) string {
	list := []string{}
	for _, f := range j.Findings {
		list = append(list, fmt.Sprintf("%s%v", f.Code, f.Cites))
	}
	return strings.Join(list, " ")
}

const noon = "2026-10-05T12:00:00+01:00"

// changed is a story and what stands after it: the volumes with the positions
// cited, the findings and the count.
type changed struct {
	name     string
	story    func(d *day)
	volumes  string
	findings string
	count    reports.Count
}

func TestChanges(t *testing.T) {
	tryChanges(t, []changed{
		{"nothing", func(d *day) { d.truck(noon, gauge(1)) }, "1[1]", "", reports.Count{Events: 1, Effective: 1}},
		{"correction", func(d *day) { d.correct(d.truck(noon, gauge(1)), gauge(2)) }, "2[1 2]", "",
			reports.Count{Events: 2, Effective: 1, Corrected: 1, Corrections: 1}},
		{"two corrections of the entry", func(d *day) {
			e := d.truck(noon, gauge(1))
			d.correct(e, gauge(2))
			d.correct(e, gauge(3))
		}, "3[1 2 3]", "", reports.Count{Events: 3, Effective: 1, Corrected: 1, Corrections: 2}},
		{"correction of a correction", func(d *day) { d.correct(d.correct(d.truck(noon, gauge(1)), gauge(2)), gauge(3)) }, "3[1 2 3]", "",
			reports.Count{Events: 3, Effective: 1, Corrected: 1, Corrections: 2}},
		{"voiding", func(d *day) { d.void(d.truck(noon, gauge(1))) }, "", "", reports.Count{Events: 2, Voided: 1, Corrections: 1}},
		{"voiding twice", func(d *day) { e := d.truck(noon, gauge(1)); d.void(e); d.void(e) }, "", "",
			reports.Count{Events: 3, Voided: 1, Corrections: 2}},
		{"voiding of a correction", func(d *day) { d.void(d.correct(d.truck(noon, gauge(1)), gauge(2))) }, "1[1]", "",
			reports.Count{Events: 3, Effective: 1, Corrections: 2}},
		{"voiding of the second correction", func(d *day) {
			e := d.truck(noon, gauge(1))
			d.correct(e, gauge(2))
			d.void(d.correct(e, gauge(3)))
		}, "2[1 2]", "", reports.Count{Events: 4, Effective: 1, Corrected: 1, Corrections: 3}},
		{"voiding of the first of two corrections", func(d *day) {
			first := d.correct(d.truck(noon, gauge(1)), gauge(2))
			d.correct(first, gauge(3))
			d.void(first)
		}, "3[1 3]", "", reports.Count{Events: 4, Effective: 1, Corrected: 1, Corrections: 3}},
		{"voiding of a voiding", func(d *day) { d.void(d.void(d.truck(noon, gauge(1)))) }, "1[1]", "",
			reports.Count{Events: 3, Effective: 1, Corrections: 2}},
		{"voiding of the voiding of a correction", func(d *day) { d.void(d.void(d.correct(d.truck(noon, gauge(1)), gauge(2)))) }, "2[1 2]", "",
			reports.Count{Events: 4, Effective: 1, Corrected: 1, Corrections: 3}},
		{"voiding, then correction", func(d *day) { e := d.truck(noon, gauge(1)); d.void(e); d.correct(e, gauge(2)) }, "2[1 2 3]", "",
			reports.Count{Events: 3, Effective: 1, Corrected: 1, Corrections: 2}},
		{"correction, then voiding of the entry", func(d *day) { e := d.truck(noon, gauge(1)); d.correct(e, gauge(2)); d.void(e) }, "", "",
			reports.Count{Events: 3, Voided: 1, Corrections: 2}},
		{"correction of a voiding", func(d *day) { d.correct(d.void(d.truck(noon, gauge(1))), gauge(2)) }, "2[1 2 3]", "",
			reports.Count{Events: 3, Effective: 1, Corrected: 1, Corrections: 2}},
	})
}

func TestChangesThatCannotBeApplied(t *testing.T) {
	tryChanges(t, []changed{
		{"correction of nothing", func(d *day) {
			d.truck(noon, gauge(1))
			d.correct(events.Ref{Source: "/truck/TM-01", ID: "e9"}, gauge(2))
		}, "1[1]", "dangling-correction[2]", reports.Count{Events: 2, Effective: 1, Corrections: 1}},
		{"correction of what came later", func(d *day) {
			d.correct(events.Ref{Source: "/truck/TM-01", ID: "e2"}, gauge(2))
			d.truck(noon, gauge(1))
		}, "1[2]", "dangling-correction[1]", reports.Count{Events: 2, Effective: 1, Corrections: 1}},
		{"correction of itself", func(d *day) { d.correct(events.Ref{Source: "/office/yard", ID: "e1"}, gauge(2)) }, "", "dangling-correction[1]",
			reports.Count{Events: 1, Corrections: 1}},
		{"another kind", func(d *day) { d.correct(d.truck(noon, gauge(1)), events.RestEnded{}) }, "1[1]", "dangling-correction[2]",
			reports.Count{Events: 2, Effective: 1, Corrections: 1}},
		{"another kind by way of a correction", func(d *day) { d.correct(d.correct(d.truck(noon, gauge(1)), gauge(2)), events.RestEnded{}) },
			"2[1 2]", "dangling-correction[3]", reports.Count{Events: 3, Effective: 1, Corrected: 1, Corrections: 2}},
		{"voiding of a dangling correction", func(d *day) { d.void(d.correct(d.truck(noon, gauge(1)), events.RestEnded{})) }, "1[1]",
			"dangling-correction[3] dangling-correction[2]", reports.Count{Events: 3, Effective: 1, Corrections: 2}},
		{"voiding of a revision", func(d *day) {
			d.void(d.office(events.RegisterRevised{Key: "OP-1", EffectiveFrom: events.MustTime(noon), Document: events.Operator{Name: "A"}}))
		}, "", "dangling-correction[2]", reports.Count{Events: 2, Corrections: 1, Revisions: 1}},
		{"voiding of an issued report", func(d *day) { d.void(d.office(events.ReportIssued{Report: "water"})) }, "", "dangling-correction[2]",
			reports.Count{Events: 2, Effective: 1, Corrections: 1}},
		{"change that names another truck", func(d *day) {
			d.add("/office/yard", "TM-02", noon, events.EntryVoided{Refers: d.truck(noon, gauge(1))})
		}, "1[1]", "dangling-correction[2]", reports.Count{Events: 2, Effective: 1, Corrections: 1}},
		{"change that names the truck", func(d *day) {
			d.add("/office/yard", "TM-01", noon, events.EntryVoided{Refers: d.truck(noon, gauge(1))})
		}, "", "", reports.Count{Events: 2, Voided: 1, Corrections: 1}},
	})
}

func tryChanges(t *testing.T, table []changed) {
	t.Helper()
	for _, c := range table {
		t.Run(c.name, func(t *testing.T) {
			d := &day{}
			c.story(d)
			j := d.resolve()
			if got := volumes(j); got != c.volumes {
				t.Errorf("entries %s, want %s", got, c.volumes)
			}
			if got := codes(j); got != c.findings {
				t.Errorf("findings %s, want %s", got, c.findings)
			}
			if j.Count != c.count {
				t.Errorf("count %+v, want %+v", j.Count, c.count)
			}
		})
	}
}

func TestReplacedEnvelope(t *testing.T) {
	d := &day{}
	e := d.truck(noon, gauge(1))
	earlier := events.MustTime("2026-10-05T06:00:00+01:00")
	d.office(events.EntryCorrected{Refers: e, Replacement: events.Replacement{Occurred: earlier, Operator: "OP-2", Job: "J-2", Body: gauge(2)}})
	d.truck("2026-10-05T07:00:00+01:00", gauge(3))
	got := d.resolve().Entries("TM-01")
	if len(got) != 2 || got[0].Occurred != earlier || got[0].Operator != "OP-2" || got[0].Job != "J-2" {
		t.Errorf("entries %+v", got)
	}
	if start, end := got[0].Interval(); start != earlier || end != earlier {
		t.Errorf("interval %s to %s", start, end)
	}
	d.correct(e, gauge(4)) // leaves the envelope as the source stated it
	if got := d.resolve().Entries("TM-01"); got[1].Occurred != events.MustTime(noon) || got[1].Job != "J-1" {
		t.Errorf("entries %+v", got)
	}
}

func TestIntervals(t *testing.T) {
	a, b := events.MustTime("2026-10-05T08:00:00+01:00"), events.MustTime("2026-10-05T09:00:00+01:00")
	for _, body := range []events.Body{events.LoadCollected{Start: a, End: b}, events.WaterDecanted{Start: a, End: b}, events.SpoilTipped{Start: a, End: b},
		events.WaterRefilled{Start: a, End: b}, events.WaterUsed{Start: a, End: b}} {
		e := reports.Entry{Event: events.Event{Occurred: events.MustTime(noon), Body: body}}
		if start, end := e.Interval(); start != a || end != b {
			t.Errorf("%s from %s to %s", body.Kind(), start, end)
		}
	}
}

// A journal of one truck holds what concerns no truck, and so changes to entries
// of trucks that were not asked for; they are no fault of this truck's record.
func TestJournalOfOneTruck(t *testing.T) {
	d := &day{}
	d.truck(noon, gauge(1))
	other := d.add("/truck/TM-02", "TM-02", noon, gauge(2))
	d.void(other)
	d.void(events.Ref{Source: "/truck/TM-01", ID: "none"})
	whole := d.resolve()
	if codes(whole) != "dangling-correction[4]" || len(whole.Entries("TM-02")) != 0 || len(whole.Trucks()) != 1 {
		t.Errorf("whole: %s, trucks %v", codes(whole), whole.Trucks())
	}
	one := slices.DeleteFunc(slices.Clone(d.recs), func(r events.Recorded) bool { return r.Truck == "TM-02" })
	j := reports.Resolve(one, uint64(len(d.recs)))
	if codes(j) != "" || volumes(j) != "1[1]" {
		t.Errorf("one truck: %s, %s", codes(j), volumes(j))
	}
	if j.Recorded(2) != nil || j.Recorded(1) == nil {
		t.Error("Recorded gives what was not loaded")
	}
	if p, ok := j.PositionOf(events.Ref{Source: "/truck/TM-01", ID: "e1"}); !ok || p != 1 {
		t.Errorf("position %d, %v", p, ok)
	}
}

func TestSequenceGaps(t *testing.T) {
	d := &day{}
	d.truck(noon, gauge(1))
	d.seqs["/truck/TM-01"] = 4
	d.truck(noon, gauge(2))
	d.seqs["/truck/TM-01"] = 6
	d.truck(noon, gauge(3))
	d.seqs["/office/yard"] = 9 // an office desk may be seen in part
	d.add("/office/yard", "TM-01", noon, gauge(4))
	j := d.resolve()
	if got := codes(j); got != "sequence-gap[1 2] sequence-gap[2 3]" {
		t.Errorf("findings %s", got)
	}
	if len(j.Findings) == 2 && (!strings.Contains(j.Findings[0].What, "2 to 4") || !strings.Contains(j.Findings[1].What, "6 to 6")) {
		t.Errorf("findings %+v", j.Findings)
	}
	voided := &day{}
	voided.seqs = map[events.Source]uint64{"/truck/TM-01": 1}
	voided.void(voided.truck(noon, gauge(1)))
	if got := codes(voided.resolve()); got != "sequence-gap[1]" {
		t.Errorf("a truck whose only entry is voided: %s", got)
	}
}

func TestClockAhead(t *testing.T) {
	d := &day{}
	e := d.truck(noon, gauge(1))
	d.recs[0].At.UnixMS = d.recs[0].Occurred.UnixMS - 120_000
	if got := codes(d.resolve()); got != "" {
		t.Errorf("two minutes ahead: %s", got)
	}
	d.recs[0].At.UnixMS--
	if got := codes(d.resolve()); got != "clock-ahead[1]" {
		t.Errorf("more than two minutes ahead: %s", got)
	}
	// The remedy that the finding names settles it.
	d.office(events.EntryCorrected{Refers: e, Replacement: events.Replacement{Occurred: events.MustTime("2026-10-05T11:50:00+01:00"), Body: gauge(1)}})
	if got := codes(d.resolve()); got != "" {
		t.Errorf("corrected: %s", got)
	}
	d.void(e)
	if got := codes(d.resolve()); got != "" {
		t.Errorf("voided: %s", got)
	}
}

const afterwards = "2026-11-05T09:00:00Z"

func as(*events.ReportIssued) {}

// issue records that October's report was given out, as changed.
func issue(d *day, change func(*events.ReportIssued)) {
	issued := events.ReportIssued{Report: "manifest", Number: "MF-1", From: events.MustTime("2026-10-01T00:00:00+01:00"),
		To: events.MustTime("2026-11-01T00:00:00Z"), Position: uint64(len(d.recs))}
	change(&issued)
	d.add("/office/yard", "", "2026-11-02T10:00:00Z", issued)
}

// lateness is what comes after a report was issued, and what is found.
type lateness struct {
	name  string
	issue func(*events.ReportIssued)
	later func(d *day, entry events.Ref)
	finds string
}

func TestLateAfterIssue(t *testing.T) {
	tryLate(t, []lateness{
		{"nothing later", as, func(d *day, e events.Ref) {}, ""},
		{"an entry of the period", as, func(d *day, e events.Ref) { d.truck("2026-10-20T09:00:00+01:00", gauge(2)) }, "late-after-issue[5]"},
		{"first instant", as, func(d *day, e events.Ref) { d.truck("2026-10-01T00:00:00+01:00", gauge(2)) }, "late-after-issue[5]"},
		{"instant after the last", as, func(d *day, e events.Ref) { d.truck("2026-11-01T00:00:00Z", gauge(2)) }, ""},
		{"before the period", as, func(d *day, e events.Ref) { d.truck("2026-09-30T23:59:59.999+01:00", gauge(2)) }, ""},
		{"two entries", as, func(d *day, e events.Ref) { d.truck(noon, gauge(2)); d.truck(noon, gauge(3)) }, "late-after-issue[5 6]"},
		{"a correction made afterwards", as, func(d *day, e events.Ref) {
			d.add("/office/yard", "", afterwards, events.EntryCorrected{Refers: e, Replacement: events.Replacement{Body: gauge(2)}})
		}, "late-after-issue[5]"},
		{"a voiding made afterwards", as, func(d *day, e events.Ref) {
			d.add("/office/yard", "", afterwards, events.EntryVoided{Refers: e})
		}, "late-after-issue[5]"},
		{"a correction in the period of what lies outside", as, func(d *day, e events.Ref) {
			before := d.truck("2026-09-20T09:00:00+01:00", gauge(2))
			d.add("/office/yard", "", "2026-10-20T09:00:00+01:00", events.EntryVoided{Refers: before})
		}, ""},
		{"a correction that moves an entry into the period", as, func(d *day, e events.Ref) {
			before := d.truck("2026-09-20T09:00:00+01:00", gauge(2))
			d.recs[len(d.recs)-1].At = events.MustTime(afterwards)
			d.add("/office/yard", "", afterwards, events.EntryCorrected{Refers: before,
				Replacement: events.Replacement{Occurred: events.MustTime(noon), Body: gauge(2)}})
		}, "late-after-issue[6]"},
		{"the docket of a tip", as, func(d *day, e events.Ref) {
			d.add("/office/yard", "TM-01", afterwards, events.DocketReceived{Tip: events.Ref{Source: "/truck/TM-01", ID: "e2"}})
		}, "late-after-issue[5]"},
	})
}

func TestLateForWhatWasIssued(t *testing.T) {
	tryLate(t, []lateness{
		{"issued for another truck", func(r *events.ReportIssued) { r.Truck = "TM-02" }, func(d *day, e events.Ref) { d.truck(noon, gauge(2)) }, ""},
		{"issued for the truck", func(r *events.ReportIssued) { r.Truck = "TM-01" }, func(d *day, e events.Ref) { d.truck(noon, gauge(2)) }, "late-after-issue[5]"},
		{"issued for another job", func(r *events.ReportIssued) { r.Job = "J-2" }, func(d *day, e events.Ref) { d.truck(noon, gauge(2)) }, ""},
		{"issued for the job", func(r *events.ReportIssued) { r.Job = "J-1" }, func(d *day, e events.Ref) { d.truck(noon, gauge(2)) }, "late-after-issue[5]"},
		{"issued for the client", func(r *events.ReportIssued) { r.Client = "C-1" }, func(d *day, e events.Ref) { d.truck(noon, gauge(2)) }, "late-after-issue[5]"},
		{"issued for another client", func(r *events.ReportIssued) { r.Client = "C-2" }, func(d *day, e events.Ref) { d.truck(noon, gauge(2)) }, ""},
		{"without a job, the truck on the job", func(r *events.ReportIssued) { r.Job = "J-1" }, func(d *day, e events.Ref) {
			d.truck(noon, events.SpoilTipped{Whole: true})
			d.recs[len(d.recs)-1].Job = ""
		}, "late-after-issue[5]"},
		{"without a job, the truck elsewhere", func(r *events.ReportIssued) { r.Job = "J-2" }, func(d *day, e events.Ref) {
			d.truck(noon, events.SpoilTipped{Whole: true})
			d.recs[len(d.recs)-1].Job = ""
		}, ""},
		{"a correction onto the job", func(r *events.ReportIssued) { r.Job = "J-2" }, func(d *day, e events.Ref) {
			d.add("/office/yard", "", afterwards, events.EntryCorrected{Refers: e, Replacement: events.Replacement{Job: "J-2", Body: gauge(2)}})
		}, "late-after-issue[5]"},
	})
}

func tryLate(t *testing.T, table []lateness) {
	t.Helper()
	for _, c := range table {
		t.Run(c.name, func(t *testing.T) {
			d := &day{}
			d.add("/office/yard", "", "2026-09-01T09:00:00+01:00", events.RegisterRevised{Key: "J-1",
				EffectiveFrom: events.MustTime("2026-09-01T00:00:00+01:00"), Document: events.Job{Client: "C-1"}})
			d.truck(noon, events.SpoilTipped{Whole: true})
			entry := d.truck(noon, gauge(1))
			issue(d, c.issue)
			c.later(d, entry)
			if got := codes(d.resolve()); got != c.finds {
				t.Errorf("findings %q, want %q", got, c.finds)
			}
		})
	}
}

func TestLateCitesAreBounded(t *testing.T) {
	d := &day{}
	d.add("/office/yard", "", noon, events.ReportIssued{From: events.MustTime("2026-10-01T00:00:00Z"), To: events.MustTime("2026-11-01T00:00:00Z")})
	for range 200 {
		d.truck(noon, gauge(1))
	}
	j := d.resolve()
	if len(j.Findings) != 1 || len(j.Findings[0].Cites) != 50 || !strings.HasPrefix(j.Findings[0].What, "200 events") {
		t.Errorf("findings %+v", j.Findings)
	}
}
