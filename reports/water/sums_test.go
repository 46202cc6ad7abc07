package water_test

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/water"
)

// days draws some days of two trucks, ordinary and careless entries.
func days(t *rapid.T) *town {
	w := newTown()
	w.now = events.MustTime("2026-10-04T20:00:00.000+01:00")
	for range rapid.IntRange(0, 50).Draw(t, "events") {
		w.now.UnixMS += rapid.Int64Range(-30, 8*60).Draw(t, "minutes") * 60_000
		id := rapid.SampledFrom([]events.TruckID{one, two}).Draw(t, "truck")
		job := rapid.SampledFrom([]events.JobID{"J-1", "J-2"}).Draw(t, "job")
		ml := measuredML(rapid.Int64Range(0, 4_000_000).Draw(t, "volume"))
		switch rapid.IntRange(0, 6).Draw(t, "kind") {
		case 0, 1:
			source := rapid.SampledFrom([]events.WaterSourceID{mains, bore, recycled, "W-WHAT"}).Draw(t, "source")
			r := events.WaterRefilled{WaterSource: source, Volume: ml, Start: w.now, End: w.now}
			if rapid.Bool().Draw(t, "metered") {
				r.MeterStartML, r.MeterEndML = ptr(rapid.Int64Range(0, 5_000_000).Draw(t, "start")), ptr(rapid.Int64Range(0, 9_000_000).Draw(t, "end"))
			}
			w.at(id, rapid.SampledFrom([]events.JobID{"", job}).Draw(t, "refill's job"), r)
		case 2:
			l := events.LoadCollected{Material: "M-CLAY", Bank: &events.BankSoil{Volume: *measuredML(rapid.Int64Range(0, 1_000_000).Draw(t, "bank"))}, JettingWater: ml}
			if rapid.Bool().Draw(t, "slurry") {
				l.Bank, l.SlurryVolume = nil, ml
			}
			w.at(id, job, l)
		case 3:
			w.at(id, job, events.WaterUsed{Purpose: rapid.SampledFrom([]events.Purpose{events.ForWashing, events.ForFlushing, events.ForDust, events.ForOther}).Draw(t, "purpose"),
				Volume: *ml, IntoDebrisTank: rapid.Bool().Draw(t, "into debris")})
		case 4:
			w.at(id, job, events.WaterDecanted{Volume: *ml, Outfall: rapid.SampledFrom([]events.OutfallID{"", sewer, lagoon}).Draw(t, "outfall"),
				TurbidityMilliNTU: ptr(rapid.Int64Range(0, 90_000).Draw(t, "turbidity"))})
		case 5:
			w.at(id, "", events.TankGauged{Tank: events.FreshTank, Volume: *ml})
		case 6:
			w.read(bore, "M-2", ml.VolumeML)
		}
	}
	return w
}

// Every total of every table is the sum of its rows, though it is taken from the
// movements; every row has a cell for each column.
func TestTotalsAreRowSums(t *testing.T) {
	q := week(t, reports.Filter{})
	rapid.Check(t, func(t *rapid.T) {
		q.Filter = reports.Filter{Truck: rapid.SampledFrom([]events.TruckID{"", one}).Draw(t, "filter truck"),
			Job: rapid.SampledFrom([]events.JobID{"", "J-1"}).Draw(t, "filter job")}
		doc := days(t).compute(q)
		names := map[string]bool{}
		for _, table := range doc.Document().Tables {
			if names[table.Name] || len(table.Name) > 25 {
				t.Errorf("table name %q is used twice or too long", table.Name)
			}
			names[table.Name] = true
			sums := make([]int64, len(table.Columns))
			for row := range table.Rows {
				if len(row.Cells) != len(table.Columns) {
					t.Fatalf("%s: a row of %d cells under %d columns", table.Name, len(row.Cells), len(table.Columns))
				}
				for i, c := range row.Cells {
					sums[i] += c.Int
				}
			}
			for i, c := range table.Columns {
				if c.Total && (table.Totals[i].Empty || table.Totals[i].Int != sums[i]) {
					t.Errorf("%s, %s: total %+v; rows sum to %d", table.Name, c.Key, table.Totals[i], sums[i])
				}
			}
		}
	})
}

// The fresh tank's days balance to the millilitre and follow each other.
func TestFreshTankBalances(t *testing.T) {
	q := week(t, reports.Filter{})
	rapid.Check(t, func(t *rapid.T) {
		last := map[events.TruckID]int64{}
		for _, d := range days(t).compute(q).Fresh {
			if got := d.OpeningML + d.DrawnML + d.UnaccountedML - d.JettedML - d.UsedML; got != d.ClosingML || d.ClosingML < 0 {
				t.Errorf("%+v does not balance: %d", d, got)
			}
			if closing, seen := last[d.Truck]; seen && closing != d.OpeningML {
				t.Errorf("%+v opens with what the day before did not close with, %d", d, closing)
			}
			last[d.Truck] = d.ClosingML
		}
	})
}

// The trucks' reports sum to the fleet's, and the jobs' with what has no job to the
// trucks'.
func TestFiltersPartition(t *testing.T) {
	q := week(t, reports.Filter{})
	rapid.Check(t, func(t *rapid.T) {
		w := days(t)
		fleet := w.compute(q)
		var byTruck, byJob, byLine water.Flow
		for _, id := range []events.TruckID{one, two} {
			r := w.compute(reports.Request{Period: q.Period, Filter: reports.Filter{Truck: id}})
			byTruck = plus(byTruck, r.Totals.Flow)
		}
		for _, f := range []reports.Filter{{Job: "J-1"}, {Client: "C-2"}} {
			byJob = plus(byJob, w.compute(reports.Request{Period: q.Period, Filter: f}).Totals.Flow)
		}
		for _, l := range fleet.Lines {
			byLine = plus(byLine, l.Flow)
			if l.Job == "" {
				byJob = plus(byJob, l.Flow)
			}
		}
		if byTruck != fleet.Totals.Flow || byJob != fleet.Totals.Flow || byLine != fleet.Totals.Flow {
			t.Errorf("by truck %+v, by job %+v, by line %+v; the fleet's is %+v", byTruck, byJob, byLine, fleet.Totals.Flow)
		}
	})
}

func plus(a, b water.Flow) water.Flow {
	return water.Flow{MainsML: a.MainsML + b.MainsML, BoreML: a.BoreML + b.BoreML, SurfaceML: a.SurfaceML + b.SurfaceML, YardML: a.YardML + b.YardML,
		RecycledML: a.RecycledML + b.RecycledML, OtherSourceML: a.OtherSourceML + b.OtherSourceML, JettingML: a.JettingML + b.JettingML,
		WashingML: a.WashingML + b.WashingML, FlushingML: a.FlushingML + b.FlushingML, DustML: a.DustML + b.DustML,
		OtherUseML: a.OtherUseML + b.OtherUseML, DecantedML: a.DecantedML + b.DecantedML}
}

// The order in which events came changes nothing but what is cited, and the same
// events give the same document.
func TestArrivalOrder(t *testing.T) {
	q := week(t, reports.Filter{})
	rapid.Check(t, func(t *rapid.T) {
		w := days(t)
		want := cells(w.compute(q).Document(), false)
		if again := cells(w.compute(q).Document(), true); again != cells(w.compute(q).Document(), true) {
			t.Error("the same events give two documents")
		}
		order := rapid.Permutation(w.recs).Draw(t, "order")
		for i := range order {
			order[i].Position = uint64(i + 1)
		}
		got := cells(water.Compute(reports.Resolve(order, uint64(len(order))), q, water.Options{}).Document(), false)
		if got != want {
			t.Errorf("another order of arrival gives\n%s\nwant\n%s", got, want)
		}
	})
}

func cells(d reports.Document, cites bool) string {
	s := ""
	for _, table := range d.Tables {
		s += table.Name + "\n"
		for row := range table.Rows {
			s += fmt.Sprintln(row.Cells)
			if cites {
				s += fmt.Sprintln(row.Cites)
			}
		}
	}
	for _, f := range d.Findings {
		s += fmt.Sprintln(f.Code, f.At, f.What)
	}
	return s
}
