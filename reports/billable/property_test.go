package billable

import (
	"math/big"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
)

// drawCard draws a rate card.
func drawCard(r *rapid.T, currency string) events.RateCard {
	c := events.RateCard{Name: "Card", Currency: currency, Tax: "VAT",
		TaxPer:             rapid.SampledFrom([]string{"", "line", "invoice"}).Draw(r, "tax per"),
		MoneyRounding:      rapid.SampledFrom([]string{"", "half-even"}).Draw(r, "money rounding"),
		FreeStandbyMinutes: rapid.SampledFrom([]int64{0, 20}).Draw(r, "free standby"),
		TravelCapMinutes:   rapid.SampledFrom([]int64{0, 35}).Draw(r, "travel cap"),
		Spoil:              events.SpoilRate{Per: rapid.SampledFrom([]string{"tonne", "m3"}).Draw(r, "spoil per"), Rate: "33.33"},
		WaterPerKL:         "4.21",
		Fees:               []events.Fee{{Name: "a", Amount: "7.77", Per: "visit"}, {Name: "b", Amount: "3.33", Per: "day"}, {Name: "c", Amount: "9.99", Per: "tip"}},
	}
	for _, a := range events.Activities() {
		if rapid.IntRange(0, 3).Draw(r, "listed") > 0 {
			c.Rates = append(c.Rates, events.ActivityRate{Activity: a, HourlyRate: rapid.SampledFrom([]events.Decimal{"61.37", "140", "0.01"}).Draw(r, "rate")})
		}
	}
	if rapid.Bool().Draw(r, "bands") {
		c.Bands = weekBands()[1:]
	}
	if mode := rapid.SampledFrom([]string{"", "up", "nearest", "none"}).Draw(r, "rounding"); mode != "" {
		c.Rounding = events.Rounding{IncrementMinutes: 15, Mode: mode, Per: rapid.SampledFrom([]string{"line", "visit", "day"}).Draw(r, "rounding per")}
	}
	if per := rapid.SampledFrom([]string{"", "visit", "day"}).Draw(r, "minimum"); per != "" {
		c.Minimum = events.Minimum{Minutes: 120, Per: per}
	}
	return c
}

// drawLedger draws a register of two jobs and the entries of two trucks around the
// end of summer time in Dublin.
func drawLedger(r *rapid.T) *ledger {
	l := newLedger()
	l.revise(early, "VAT", events.Tax{Name: "VAT", RatePercent: "13.5"})
	l.revise(early, "RC-1", drawCard(r, "EUR"))
	l.revise(early, "RC-2", drawCard(r, rapid.SampledFrom([]string{"EUR", "GBP"}).Draw(r, "currency")))
	l.revise(early, "J-1", job("C-1", "RC-1"))
	l.revise(early, "J-2", job("C-2", "RC-2"))
	from := events.MustTime("2026-10-24T18:00:00.000+01:00")
	for _, truck := range []events.TruckID{"TM-01", "TM-02"} {
		l.truck = truck
		minute, begun := 0, false
		for range rapid.IntRange(0, 25).Draw(r, "events") {
			start := minute
			minute += rapid.SampledFrom([]int{0, 1, 7, 30, 95}).Draw(r, "step")
			a := events.TimeOf(time.UnixMilli(from.UnixMS + int64(start)*60_000).UTC())
			b := events.TimeOf(time.UnixMilli(from.UnixMS + int64(minute)*60_000).UTC())
			job := rapid.SampledFrom([]events.JobID{"J-1", "J-2", "J-9"}).Draw(r, "job")
			if !begun {
				begun = true
				l.put(b.String(), "", events.ShiftStarted{})
				continue
			}
			l.put(b.String(), job, drawBody(r, a, b))
		}
	}
	return l
}

func drawBody(r *rapid.T, a, b events.Time) events.Body {
	side := rapid.SampledFrom([]events.Attribution{"", events.ByCarrier, events.ByClient}).Draw(r, "side")
	bodies := []events.Body{
		events.SiteArrived{}, events.SiteArrived{}, events.SiteLeft{}, events.FacilityLeft{Facility: "F-1"}, events.ShiftEnded{}, events.ShiftStarted{},
		events.LoadCollected{Start: a, End: b, Material: "M", SlurryMass: &events.Mass{MassG: 1_234_567}, SlurryVolume: &events.Volume{VolumeML: 900_001}, JettingWater: &events.Volume{VolumeML: 300_000}},
		events.LoadCollected{Start: a, End: b, Material: "M", SlurryMass: &events.Mass{MassG: 1_234_567}, SlurryVolume: &events.Volume{VolumeML: 900_001}},
		events.SpoilTipped{Start: a, End: b, Facility: "F-1", Whole: true},
		events.StandbyStarted{Cause: events.AwaitingAccess}, events.StandbyEnded{},
		events.EmergencyStopPressed{Station: events.StationCab, Attribution: side}, events.PlantRestarted{},
	}
	return bodies[rapid.IntRange(0, len(bodies)-1).Draw(r, "kind")]
}

func compute(j *reports.Journal, from, to events.Time, zone *time.Location) *Report {
	return Compute(j, reports.Request{Period: reports.Period{From: from, To: to, Zone: zone}}, Options{Zones: zones})
}

func TestTimeAndMoneyAddUp(t *testing.T) {
	zone, err := zones("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	from, to := events.MustTime("2026-10-24T00:00:00.000+01:00"), events.MustTime("2026-10-29T00:00:00.000+00:00")
	rapid.Check(t, func(r *rapid.T) {
		rep := compute(drawLedger(r).journal(), from, to, zone)
		if err := sound(rep); err != nil {
			r.Fatal(err)
		}
		for i := range rep.Lines {
			if l := &rep.Lines[i]; !l.fair() {
				r.Fatalf("line %s: %s x %s for %d ms or %d millionths is not %d hundredths", l.Key, l.Rate, l.Multiplier, l.ChargedMS, l.Micro, l.AmountCents)
			}
		}
		for _, table := range rep.Document().Tables {
			for c, col := range table.Columns {
				sum := int64(0)
				for row := range table.Rows {
					sum += row.Cells[c].Int
				}
				if col.Total && table.Totals[c].Int != sum {
					r.Fatalf("%s, %s: total %d, rows sum to %d", table.Name, col.Key, table.Totals[c].Int, sum)
				}
			}
		}
		agree(r, rep)
	})
}

// fair reckons a line's amount again, in fractions; a shared fee is shown in
// millionths and reckoned exactly, so it may be half a hundredth further off.
func (l *Line) fair() bool {
	quantity := big.NewRat(l.Micro, 1_000_000)
	if l.Unit == "h" {
		quantity = big.NewRat(l.ChargedMS, hourMS)
	}
	exact := new(big.Rat).Mul(l.Rate.Rat(), l.Multiplier.Rat())
	exact.Mul(exact, quantity).Mul(exact, big.NewRat(100, 1))
	off := exact.Sub(exact, new(big.Rat).SetInt64(l.AmountCents))
	limit := big.NewRat(1, 2)
	if l.Kind == ForFee {
		limit = big.NewRat(1, 1)
	}
	return off.Abs(off).Cmp(limit) <= 0
}

// agree checks that sums by job, by client and by invoice are of the same money
// and time.
func agree(r *rapid.T, rep *Report) {
	type total struct{ billed, refused, net int64 }
	add := func(list []Sum) map[string]total {
		m := map[string]total{}
		for i := range list {
			s := &list[i]
			was := m[s.Currency]
			m[s.Currency] = total{was.billed + s.BilledMS, was.refused + s.NotBilledMS, was.net + s.NetCents}
		}
		return m
	}
	byJob, byClient := add(rep.ByJob()), add(rep.ByClient())
	if !reflect.DeepEqual(byJob, byClient) {
		r.Fatalf("by job %v, by client %v", byJob, byClient)
	}
	for i := range rep.Invoices {
		v := &rep.Invoices[i]
		s := byJob[v.Currency]
		s.net -= v.NetCents
		byJob[v.Currency] = s
		exact := new(big.Rat).Mul(v.TaxPercent.Rat(), decimal.New(v.NetCents, -2).Rat())
		off := exact.Sub(exact, new(big.Rat).SetInt64(v.TaxCents))
		limit := big.NewRat(int64(max(1, v.Lines)), 2)
		if !v.TaxPerLine {
			limit = big.NewRat(1, 2)
		}
		if off.Abs(off).Cmp(limit) > 0 {
			r.Fatalf("tax of %s %% on %d is not %d", v.TaxPercent, v.NetCents, v.TaxCents)
		}
	}
	for currency, s := range byJob {
		if s.net != 0 {
			r.Fatalf("%s: jobs and invoices differ by %d", currency, s.net)
		}
	}
}

// TestPeriodsAddUp cuts a period in two at a minute: the time billed, charged
// without line rounding, and refused of both are those of the whole.
func TestPeriodsAddUp(t *testing.T) {
	zone, err := zones("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	from, to := events.MustTime("2026-10-24T00:00:00.000+01:00"), events.MustTime("2026-10-29T00:00:00.000+00:00")
	rapid.Check(t, func(r *rapid.T) {
		l := drawLedger(r)
		j := l.journal()
		middle := events.Time{UnixMS: from.UnixMS + int64(rapid.IntRange(1, 121*60-1).Draw(r, "cut"))*60_000}
		type totals struct{ billed, refused, extra, units int64 }
		sum := func(a, b events.Time) totals {
			rep := compute(j, a, b, zone)
			if err := sound(rep); err != nil {
				r.Fatal(err)
			}
			t := totals{}
			for i := range rep.Lines {
				t.billed += rep.Lines[i].BilledMS
				if k := rep.Lines[i].Kind; k == ForRounding || k == ForMinimum {
					t.extra += rep.Lines[i].ChargedMS
				}
				t.units += rep.Lines[i].Micro
			}
			t.refused = rep.ShiftMS - t.billed
			return t
		}
		whole, first, second := sum(from, to), sum(from, middle), sum(middle, to)
		if got := (totals{first.billed + second.billed, first.refused + second.refused, first.extra + second.extra, first.units + second.units}); got != whole {
			r.Fatalf("cut at %s: %+v and %+v are not %+v", middle, first, second, whole)
		}
	})
}

func TestOrderOfArrivalChangesNothing(t *testing.T) {
	zone, err := zones("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	from, to := events.MustTime("2026-10-24T00:00:00.000+01:00"), events.MustTime("2026-10-29T00:00:00.000+00:00")
	rapid.Check(t, func(r *rapid.T) {
		l := drawLedger(r)
		inOrder := compute(l.journal(), from, to, zone)
		l.recs = rapid.Permutation(l.recs).Draw(r, "arrival")
		for i := range l.recs {
			l.recs[i].Position = uint64(i + 1)
		}
		other := compute(l.journal(), from, to, zone)
		for _, rep := range []*Report{inOrder, other} {
			for i := range rep.Lines {
				rep.Lines[i].Positions = nil
			}
			for i := range rep.NotBilled {
				rep.NotBilled[i].Positions = nil
			}
		}
		if !slices.EqualFunc(inOrder.Lines, other.Lines, func(x, y Line) bool { return reflect.DeepEqual(x, y) }) {
			r.Fatalf("in order\n%s\nas they came\n%s", text(inOrder), text(other))
		}
		if !reflect.DeepEqual(inOrder.NotBilled, other.NotBilled) {
			r.Fatalf("in order\n%s\nas they came\n%s", refused(inOrder), refused(other))
		}
	})
}
