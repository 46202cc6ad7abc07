package stops_test

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/explaintest"
	"spoilbook/reports/stops"
	"spoilbook/reports/timesplit"
)

// record puts an event of a truck into a list, at minutes after six on 5 October.
func record(recs []events.Recorded, truck events.TruckID, minute int, job events.JobID, body events.Body) []events.Recorded {
	at := events.TimeOf(time.Date(2026, 10, 5, 6, minute, 0, 0, time.FixedZone("", 3600)))
	n := uint64(len(recs) + 1)
	return append(recs, events.Recorded{Position: n, At: at, Event: events.Event{ID: fmt.Sprintf("%s-%06d", truck, n),
		Source: events.TruckSource(truck), Seq: n, Occurred: at, Truck: truck, Job: job, Operator: "OP-1", Origin: events.FromCrew, Body: body}})
}

func request(t interface{ Fatal(...any) }) reports.Request {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	p, err := reports.Days("2026-10-05", "2026-10-06", zone)
	if err != nil {
		t.Fatal(err)
	}
	return reports.Request{Period: p}
}

func journalOf(recs []events.Recorded) *reports.Journal {
	return reports.Resolve(recs, uint64(len(recs)))
}

func codes(fs []reports.Finding) string {
	list := []string{}
	for _, f := range fs {
		list = append(list, string(f.Code))
	}
	return strings.Join(list, " ")
}

var (
	pressed   = events.EmergencyStopPressed{Station: events.StationRear, Cause: "hose burst", Attribution: events.ByCarrier}
	inspected = events.EmergencyStopReset{Inspected: true, Note: "hose replaced"}
)

// The stop of the package comment: down from the press to the restart, not to the
// reset, which only permits it (Machinery Directive 2006/42/EC, annex I, 1.2.4.3).
func TestResetIsNoRestart(t *testing.T) {
	var recs []events.Recorded
	recs = record(recs, "TM-01", 0, "", events.ShiftStarted{})
	recs = record(recs, "TM-01", 242, "J-1", pressed)
	recs = record(recs, "TM-01", 267, "J-1", inspected)
	recs = record(recs, "TM-01", 270, "J-1", events.PlantRestarted{})
	recs = record(recs, "TM-01", 500, "", events.ShiftEnded{})
	r := stops.Compute(journalOf(recs), request(t))
	if len(r.Stops) != 1 || len(r.Findings) != 0 || len(r.Events) != 3 {
		t.Fatalf("%d stops, %d events, found %q", len(r.Stops), len(r.Events), codes(r.Findings))
	}
	s := r.Stops[0]
	if ms, ok := s.DowntimeMS(); !ok || ms != 28*60_000 {
		t.Errorf("down %d ms, %v; want 28 min", ms, ok)
	}
	if !s.Inspected() || s.Reset.Operator != "OP-1" || s.Cause != "hose burst" || s.Side != events.ByCarrier || s.Job != "J-1" {
		t.Errorf("stop %+v", s)
	}
	if !slices.Equal(s.Cites, []uint64{2, 3, 4}) {
		t.Errorf("cites %v", s.Cites)
	}
	row := firstStop(r)
	if got := row["station"].Text + " " + row["cause"].Text; got != "rear hose burst" || row["downtime_h"].Int != 28*60_000 || !row["lacks"].Empty ||
		row["to_reset_h"].Int != 25*60_000 || row["to_restart_h"].Int != 3*60_000 {
		t.Errorf("row %+v", row)
	}
}

// firstStop returns the cells of the first line of the table of stops by their columns.
func firstStop(r *stops.Report) map[string]reports.Cell {
	table, cells := r.Document().Tables[0], map[string]reports.Cell{}
	for row := range table.Rows {
		for i, c := range table.Columns {
			cells[c.Key] = row.Cells[i]
		}
		break
	}
	return cells
}

func TestWhatIsMissingIsFound(t *testing.T) {
	for name, c := range map[string]struct {
		bodies []events.Body // ten minutes apart
		want   string
		lacks  string
		down   int64 // minutes, -1 for unknown
	}{
		"all there":            {[]events.Body{pressed, inspected, events.PlantRestarted{}}, "", "", 20},
		"no cause":             {[]events.Body{events.EmergencyStopPressed{Station: events.StationLeft}, inspected, events.PlantRestarted{}}, "stop-without-cause", "cause", 20},
		"no reset":             {[]events.Body{pressed, events.PlantRestarted{}}, "restart-without-reset", "reset", 10},
		"nothing after":        {[]events.Body{pressed}, "stop-not-reset", "reset, restart", -1},
		"reset, no restart":    {[]events.Body{pressed, inspected}, "", "restart", -1},
		"not inspected":        {[]events.Body{pressed, events.EmergencyStopReset{}, events.PlantRestarted{}}, "", "inspection before the reset", 20},
		"pressed after reset":  {[]events.Body{pressed, inspected, pressed, events.PlantRestarted{}}, "restart-without-reset", "reset", 30},
		"pressed three times":  {[]events.Body{pressed, pressed, pressed, inspected, events.PlantRestarted{}}, "", "", 40},
		"reset of nothing":     {[]events.Body{inspected, pressed, inspected, events.PlantRestarted{}}, "", "", 20},
		"restart after no one": {[]events.Body{events.PlantRestarted{}, pressed, inspected, events.PlantRestarted{}}, "", "", 20},
	} {
		recs := record(nil, "TM-01", 0, "", events.ShiftStarted{})
		for i, b := range c.bodies {
			recs = record(recs, "TM-01", 60+10*i, "J-1", b)
		}
		recs = record(recs, "TM-01", 300, "", events.ShiftEnded{})
		r := stops.Compute(journalOf(recs), request(t))
		if len(r.Stops) != 1 || codes(r.Findings) != c.want || len(r.Events) != len(c.bodies) {
			t.Errorf("%s: %d stops, %d events, found %q, want %q", name, len(r.Stops), len(r.Events), codes(r.Findings), c.want)
			continue
		}
		ms, ok := r.Stops[0].DowntimeMS()
		if ok != (c.down >= 0) || ok && ms != c.down*60_000 {
			t.Errorf("%s: down %d ms, %v; want %d min", name, ms, ok, c.down)
		}
		if got := firstStop(r)["lacks"].Text; got != c.lacks {
			t.Errorf("%s: lacks %q, want %q", name, got, c.lacks)
		}
	}
}

// Several presses say where and on whose side; they disagree, so nobody knows.
func TestPressesOfOneStop(t *testing.T) {
	recs := record(nil, "TM-01", 0, "", events.ShiftStarted{})
	recs = record(recs, "TM-01", 10, "J-1", events.EmergencyStopPressed{Station: events.StationCab})
	recs = record(recs, "TM-01", 11, "J-1", events.EmergencyStopPressed{Station: events.StationRear, Cause: "shout", Attribution: events.ByClient})
	recs = record(recs, "TM-01", 12, "J-2", events.EmergencyStopPressed{Station: events.StationCab, Cause: "later", Attribution: events.ByClient})
	r := stops.Compute(journalOf(recs), request(t))
	if len(r.Stops) != 1 {
		t.Fatalf("%d stops", len(r.Stops))
	}
	s := r.Stops[0]
	if s.Cause != "shout" || s.Side != events.ByUnknown || s.Job != "J-1" ||
		!slices.Equal(s.Stations, []events.StopStation{events.StationCab, events.StationRear}) {
		t.Errorf("stop %+v", s)
	}
}

// Resets that a further press made void still belong to the stop.
func TestVoidResetsAreOfTheStop(t *testing.T) {
	recs := record(nil, "TM-01", 0, "", events.ShiftStarted{})
	for i, b := range []events.Body{pressed, inspected, events.EmergencyStopReset{}, pressed, inspected, events.PlantRestarted{}, events.EmergencyStopReset{}} {
		recs = record(recs, "TM-01", 10*i+10, "J-1", b)
	}
	r := stops.Compute(journalOf(recs), request(t))
	of := []int{}
	for _, e := range r.Events {
		of = append(of, e.Stop)
	}
	if !slices.Equal(of, []int{0, 0, 0, 0, 0, 0, -1}) || len(r.Stops[0].Resets) != 3 || r.Stops[0].Reset.Occurred != recs[5].Occurred {
		t.Errorf("events of stops %v, resets %d", of, len(r.Stops[0].Resets))
	}
	if !slices.Equal(r.Stops[0].Cites, []uint64{2, 3, 4, 5, 6, 7}) {
		t.Errorf("cites %v", r.Stops[0].Cites)
	}
}

func TestPeriodAndJob(t *testing.T) {
	recs := record(nil, "TM-01", 0, "", events.ShiftStarted{})
	recs = record(recs, "TM-01", 10, "J-1", pressed)
	recs = record(recs, "TM-01", 20, "J-1", inspected)
	recs = record(recs, "TM-01", 30, "J-1", events.PlantRestarted{})
	recs = record(recs, "TM-02", 40, "J-2", pressed)
	recs = record(recs, "TM-02", 50, "J-2", inspected)
	recs = record(recs, "TM-02", 2*24*60, "J-2", pressed) // 7 October
	q := request(t)
	j := journalOf(recs)
	count := func() string {
		r := stops.Compute(j, q)
		list := []string{}
		for i := range r.Stops {
			list = append(list, string(r.Stops[i].Truck)+"/"+string(r.Stops[i].Job))
		}
		return strings.Join(list, " ")
	}
	if got := count(); got != "TM-01/J-1 TM-02/J-2" {
		t.Errorf("all: %s", got)
	}
	q.Filter.Job = "J-2"
	if got := count(); got != "TM-02/J-2" {
		t.Errorf("of J-2: %s", got)
	}
	q.Filter = reports.Filter{Truck: "TM-01"}
	if got := count(); got != "TM-01/J-1" {
		t.Errorf("of TM-01: %s", got)
	}
}

// drawRecords draws stops, resets, restarts, loads and shifts of two trucks.
func drawRecords(r *rapid.T) []events.Recorded {
	recs := []events.Recorded{}
	for range rapid.IntRange(0, 40).Draw(r, "events") {
		minute := rapid.IntRange(0, 50*60).Draw(r, "minute")
		at := events.TimeOf(time.Date(2026, 10, 5, 6, minute, 0, 0, time.FixedZone("", 3600)))
		body := rapid.SampledFrom([]events.Body{pressed, events.EmergencyStopPressed{Station: events.StationLeft}, inspected,
			events.EmergencyStopReset{}, events.PlantRestarted{}, events.PlantRestarted{}, events.ShiftStarted{}, events.ShiftEnded{},
			events.LoadCollected{Start: events.Time{UnixMS: at.UnixMS - 600_000}, End: at, Material: "M-1", SlurryVolume: &events.Volume{VolumeML: 1}}}).Draw(r, "body")
		recs = record(recs, rapid.SampledFrom([]events.TruckID{"TM-01", "TM-02"}).Draw(r, "truck"), minute,
			rapid.SampledFrom([]events.JobID{"J-1", "J-2"}).Draw(r, "job"), body)
	}
	return recs
}

// Every press, reset and restart of the period is listed once, downtimes are those of
// the events, and every table's totals are the sums of its rows.
func TestNothingIsLostAndSumsHold(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		recs := drawRecords(r)
		q := request(r)
		q.Period.To = events.MustTime("2026-12-01T00:00:00.000Z") // every drawn event lies in it
		rep := stops.Compute(journalOf(recs), q)
		kinds, listed := map[events.Kind]int{}, map[events.Kind]int{}
		for i := range recs {
			switch k := recs[i].Kind(); k {
			case events.KindEmergencyStopPressed, events.KindEmergencyStopReset, events.KindPlantRestarted:
				kinds[k]++
			}
		}
		presses, down := 0, int64(0)
		for _, e := range rep.Events {
			listed[e.Entry.Kind()]++
			if e.Stop < 0 && e.Entry.Kind() == events.KindEmergencyStopPressed {
				r.Fatal("a press belongs to no stop")
			}
		}
		for i := range rep.Stops {
			s := &rep.Stops[i]
			ms, ok := s.DowntimeMS()
			if ms < 0 || ok && ms != s.To.UnixMS-s.From.UnixMS {
				r.Fatalf("down %d ms from %s to %s", ms, s.From, s.To)
			}
			presses, down = presses+len(s.Presses), down+ms
		}
		if !reflect.DeepEqual(kinds, listed) {
			r.Fatalf("recorded %v, listed %v", kinds, listed)
		}
		explaintest.EveryLine(r, rep)
		sumsHold(r, rep.Document(), int64(len(rep.Stops)), int64(presses), down)
		sameAsTimesplit(r, recs, q, rep)
	})
}

func sumsHold(r *rapid.T, d reports.Document, count, presses, down int64) {
	for _, table := range d.Tables {
		for c, col := range table.Columns {
			sum, want := int64(0), map[string]int64{"stops": count, "presses": presses, "downtime_h": down}
			for row := range table.Rows {
				if len(row.Cells) != len(table.Columns) || len(row.Cites) == 0 {
					r.Fatalf("%s: row %+v", table.Name, row)
				}
				sum += row.Cells[c].Int
			}
			if !col.Total {
				continue
			}
			if w, ok := want[col.Key]; table.Totals[c].Int != sum || ok && sum != w {
				r.Fatalf("%s, %s: total %d, rows %d, the register's own %d", table.Name, col.Key, table.Totals[c].Int, sum, w)
			}
		}
	}
}

// sameAsTimesplit holds the findings against those of the time split.
func sameAsTimesplit(r *rapid.T, recs []events.Recorded, q reports.Request, rep *stops.Report) {
	want := []reports.Finding{}
	j := journalOf(recs)
	for _, truck := range j.Trucks() {
		_, found := timesplit.Partition(j, truck)
		for _, f := range found {
			switch f.Code {
			case reports.StopWithoutCause, reports.StopNotReset, reports.RestartWithoutReset:
				want = append(want, f)
			}
		}
	}
	reports.SortFindings(want)
	if codes(want) != codes(rep.Findings) {
		r.Fatalf("the time split finds %v, the register %v", want, rep.Findings)
	}
}

// text shows a document without ledger positions.
func text(d reports.Document) string {
	b := &strings.Builder{}
	for _, table := range d.Tables {
		for row := range table.Rows {
			fmt.Fprintln(b, table.Name, row.Cells)
		}
	}
	for _, f := range d.Findings {
		fmt.Fprintln(b, f.Code, f.At, f.Truck, f.Job, f.What)
	}
	return b.String()
}

func TestOrderOfArrivalChangesNothing(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		recs := drawRecords(r)
		q := request(r)
		want := text(stops.Compute(journalOf(recs), q).Document())
		shuffled := rapid.Permutation(recs).Draw(r, "arrival")
		for i := range shuffled {
			shuffled[i].Position = uint64(i + 1)
		}
		if got := text(stops.Compute(journalOf(shuffled), q).Document()); got != want {
			r.Fatalf("in order\n%s\nas they came\n%s", want, got)
		}
	})
}

// The register of one truck is its part of the fleet's.
func TestTrucksStandAlone(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		j, q := journalOf(drawRecords(r)), request(r)
		all := stops.Compute(j, q)
		listed, events, found := 0, 0, 0
		for _, truck := range j.Trucks() {
			q.Filter.Truck = truck
			one := stops.Compute(j, q)
			listed, events, found = listed+len(one.Stops), events+len(one.Events), found+len(one.Findings)
		}
		if listed != len(all.Stops) || events != len(all.Events) || found != len(all.Findings) {
			r.Fatalf("the fleet has %d stops, the trucks %d", len(all.Stops), listed)
		}
	})
}
