package demo_test

import (
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/flows"
	"spoilbook/reports/flows/flowstest"
	"spoilbook/reports/manifest"
	"spoilbook/reports/tank"
	"spoilbook/reports/water"
	"spoilbook/services/demo"
)

// flowJournal is the demo's month, in the order in which it was published.
func flowJournal(t *testing.T) *reports.Journal {
	t.Helper()
	month, err := demo.Build()
	if err != nil {
		t.Fatal(err)
	}
	recs := []events.Recorded{}
	for _, b := range month.Batches {
		for _, e := range b.Events {
			recs = append(recs, events.Recorded{Event: e, Position: uint64(len(recs) + 1), At: e.Occurred})
		}
	}
	return reports.Resolve(recs, uint64(len(recs)))
}

func flowPeriod(t *testing.T, first, last string) reports.Period {
	t.Helper()
	p, err := reports.Days(first, last, events.MustTime("2026-10-01T00:00:00Z").Std().Location())
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func kind(kinds ...flows.Kind) func(*flows.Flow) bool {
	return func(f *flows.Flow) bool {
		for _, k := range kinds {
			if f.Kind == k {
				return true
			}
		}
		return false
	}
}

// For periods that cut days, months and tanks in all sorts of ways, and for each truck alone.
func TestFlowsAreTheReportsTotals(t *testing.T) {
	j := flowJournal(t)
	for _, days := range [][2]string{{"2026-10-01", "2026-10-31"}, {"2026-10-07", "2026-10-07"}, {"2026-10-08", "2026-10-20"}, {"2026-09-20", "2026-11-15"}, {"2025-01-01", "2025-01-02"}} {
		for _, truck := range []events.TruckID{"", "TM-01", "TM-02", "TM-03"} {
			q := reports.Request{Period: flowPeriod(t, days[0], days[1]), Filter: reports.Filter{Truck: truck}}
			r, m, w := flows.Compute(j, q, tank.Options{}), manifest.Compute(j, q, manifest.Options{}), water.Compute(j, q, water.Options{})
			if got := flows.Sum(r.Flows, kind(flows.Facility)); got != m.Totals.Tipped {
				t.Errorf("%v %s: facilities got %+v, the manifest says %+v", days, truck, got, m.Totals.Tipped)
			}
			if got := flows.Sum(r.Flows, kind(flows.HeldAfter)); got != m.Totals.Held {
				t.Errorf("%v %s: held at the end are %+v, the manifest says %+v", days, truck, got, m.Totals.Held)
			}
			if got := flows.Sum(r.Flows, kind(flows.Outfall)).VolumeML; got != w.Totals.DecantedML {
				t.Errorf("%v %s: outfalls got %d mL, the water report says %d", days, truck, got, w.Totals.DecantedML)
			}
			if got := flows.Sum(r.Flows, kind(flows.GivenBack)); got != m.Totals.Returned {
				t.Errorf("%v %s: given back are %+v, the manifest says %+v", days, truck, got, m.Totals.Returned)
			}
			againstJobs(t, r, m)
			againstBalances(t, r, m)
			balances(t, r)
		}
	}
}

func againstJobs(t *testing.T, r *flows.Report, m *manifest.Report) {
	t.Helper()
	for i := range m.Jobs {
		job := &m.Jobs[i]
		of := func(kinds ...flows.Kind) flows.Amount {
			is := kind(kinds...)
			return flows.Sum(r.Flows, func(f *flows.Flow) bool { return f.Job == job.Job && is(f) })
		}
		if got := of(flows.Site, flows.Jetting); got != job.Loaded {
			t.Errorf("job %s: loaded %+v, the manifest says %+v", job.Job, got, job.Loaded)
		}
		if got := of(flows.Facility); got != job.Tipped {
			t.Errorf("job %s: tipped %+v, the manifest says %+v", job.Job, got, job.Tipped)
		}
		if got := of(flows.Outfall); job.Job != "" && got != job.Decanted {
			t.Errorf("job %s: decanted %+v, the manifest says %+v", job.Job, got, job.Decanted)
		}
	}
}

func againstBalances(t *testing.T, r *flows.Report, m *manifest.Report) {
	t.Helper()
	for _, b := range m.Balances {
		of := func(kinds ...flows.Kind) flows.Amount {
			is := kind(kinds...)
			x := flows.Sum(r.Flows, func(f *flows.Flow) bool { return f.Truck == b.Truck && is(f) })
			x.VolumeML = 0
			return x
		}
		if got := of(flows.HeldBefore); got != b.Opening {
			t.Errorf("%s: opening %+v, the manifest says %+v", b.Truck, got, b.Opening)
		}
		if got := of(flows.HeldAfter); got != b.Closing {
			t.Errorf("%s: closing %+v, the manifest says %+v", b.Truck, got, b.Closing)
		}
		if got := of(flows.Site, flows.Jetting, flows.WashedIn); got != b.In {
			t.Errorf("%s: in %+v, the manifest says %+v", b.Truck, got, b.In)
		}
	}
}

// balances looks at the trial balance of everything, of each truck, job and month, and of the pictures.
func balances(t *testing.T, r *flows.Report) {
	t.Helper()
	lists := [][]flows.Flow{r.Flows}
	for _, m := range r.Months {
		lists = append(lists, m.Flows)
	}
	for _, list := range lists {
		type of struct {
			truck events.TruckID
			job   events.JobID
		}
		over := map[of]flows.Amount{}
		for i := range list {
			f := &list[i]
			if f.Amount.SolidsG < 0 || f.Amount.WaterG < 0 || f.Amount == (flows.Amount{}) || f.Kind != flows.Rounding && len(f.Cites) == 0 {
				t.Errorf("the flow %+v is none, or rests on nothing", f)
			}
			k := of{f.Truck, f.Job}
			if over[k] = over[k].Plus(f.Amount); !f.In {
				over[k] = over[k].Minus(f.Amount).Minus(f.Amount)
			}
		}
		for k, x := range over {
			if x != (flows.Amount{}) {
				t.Errorf("%v does not balance: %+v too much flows in", k, x)
			}
		}
		for _, m := range []flows.Measure{flows.Volume, flows.Solids} {
			flowstest.Drawn(t, flows.Draw(list, m), list, m)
		}
	}
}

// What contradicts the account is listed by what shows it.
func TestUnaccountedIsListed(t *testing.T) {
	j := flowJournal(t)
	q := reports.Request{Period: flowPeriod(t, "2026-10-01", "2026-10-31")}
	r, m := flows.Compute(j, q, tank.Options{}), manifest.Compute(j, q, manifest.Options{})
	sum := int64(0)
	for _, u := range r.Unaccounted {
		if u.G <= 0 || len(u.Cites) == 0 {
			t.Errorf("%+v rests on nothing", u)
		}
		switch {
		case u.Tank != "debris":
		case u.From:
			sum += u.G
		default:
			sum -= u.G
		}
	}
	want := int64(0)
	for _, b := range m.Balances {
		want += b.Unaccounted.MassG()
	}
	if sum != want {
		t.Errorf("the debris tanks have %d g unaccounted for, the manifest says %d", sum, want)
	}
	net, over := int64(0), int64(0)
	for _, d := range r.Dockets {
		net, over = net+d.NetG, over+d.OverG
	}
	if net != m.Totals.DocketNetG || over != m.Totals.DifferenceG {
		t.Errorf("dockets are %d g, %d over; the manifest says %d and %d", net, over, m.Totals.DocketNetG, m.Totals.DifferenceG)
	}
}
