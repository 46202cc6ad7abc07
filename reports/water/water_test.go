package water_test

import (
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

// Daily draws against a cap after the model of the New Zealand water-take regulations
// (SR 2010/267 reg. 6): a day without a draw is recorded as zero.
func TestCapAndZeroDays(t *testing.T) {
	w := newTown()
	w.refill(one, "", bore, 3_000_000)
	w.refill(two, "", bore, 3_000_000)
	r := w.compute(week(t, reports.Filter{Truck: one}))
	if len(r.Sources) != 7 {
		t.Fatalf("%d days of sources; want 7 of the bore", len(r.Sources))
	}
	for i, s := range r.Sources {
		drawn, list := int64(0), int64(0)
		if i == 0 {
			drawn, list = 6_000_000, 3_000_000
		}
		if s.Source != bore || s.DrawnML != drawn || s.ListML != list || s.CapML != 5_000_000 || s.Over() != (i == 0) {
			t.Errorf("day %d is %+v", i, s)
		}
	}
	wantCodes(t, r, map[reports.Code]int{reports.CapExceeded: 1})

	w = newTown()
	w.refill(one, "", bore, 3_000_000)
	w.refill(two, "", bore, 2_000_000)
	wantCodes(t, w.compute(week(t, reports.Filter{})), map[reports.Code]int{}) // just the cap
}

// The day of a draw is the source's own: at 23:30 UTC it is tomorrow in Dublin's summer.
func TestCapInSourceZone(t *testing.T) {
	w := newTown()
	w.now = events.MustTime("2026-10-06T23:28:00.000Z")
	w.refill(one, "", bore, 1_000_000)
	for _, s := range w.compute(week(t, reports.Filter{})).Sources {
		if (s.DrawnML > 0) != (s.Date == "2026-10-07") {
			t.Errorf("on %s %d mL were drawn", s.Date, s.DrawnML)
		}
	}
}

func TestRecycledIsNeverMains(t *testing.T) {
	w := newTown()
	w.refill(one, "J-1", mains, 3_000_000)
	w.refill(two, "J-1", recycled, 1_000_000)
	w.refill(two, "J-1", "W-WHAT", 500_000)
	r := w.compute(week(t, reports.Filter{}))
	if f := r.Totals.Flow; f.MainsML != 3_000_000 || f.RecycledML != 1_000_000 || f.OtherSourceML != 500_000 {
		t.Errorf("totals are %+v", f)
	}
	if ppm, ok := r.Totals.RecycledPPM(); !ok || ppm != 222_222 {
		t.Errorf("recycled share is %d ppm; want 222222", ppm)
	}
	wantCodes(t, r, map[reports.Code]int{reports.UnknownReference: 1})
}

func TestBackflow(t *testing.T) {
	for device, want := range map[events.BackflowDevice]int{"": 1, events.NoDevice: 1, events.AirGap: 0, events.ReducedPressureZone: 0} {
		w := newTown()
		w.at(one, "", events.WaterRefilled{WaterSource: mains, Volume: measuredML(1_000), BackflowDevice: device})
		w.at(one, "", events.WaterRefilled{WaterSource: bore, Volume: measuredML(1_000)}) // asks for none
		got := 0
		for _, f := range w.compute(week(t, reports.Filter{})).Findings {
			if f.Code == reports.BackflowMissing {
				got++
			}
		}
		if got != want {
			t.Errorf("device %q gives %d findings; want %d", device, got, want)
		}
	}
}

// A meter right within 5 % in a full pipe (New Zealand SR 2010/267 reg. 6): for 10 m3
// truly drawn, 9.5 and 10.5 pass. The rule here is wider, two standard uncertainties
// of a rectangular distribution, and 9.2 and 10.8 do not.
func TestMeterAgainstStated(t *testing.T) {
	for metered, want := range map[int64]bool{9_500_000: false, 10_500_000: false, 9_200_000: true, 10_800_000: true} {
		w := newTown()
		start := int64(50_000_000)
		end := start + metered
		w.at(one, "", events.WaterRefilled{WaterSource: bore, MeterStartML: &start, MeterEndML: &end,
			Volume: &events.Volume{VolumeML: 10_000_000, Basis: events.Measured, ToleranceML: 1}})
		r := w.compute(week(t, reports.Filter{}))
		got := false
		for _, f := range r.Findings {
			got = got || f.Code == reports.MeterDiffers
		}
		if got != want || r.Draws[0].VolumeML != 10_000_000 || *r.Draws[0].DifferenceML != metered-10_000_000 {
			t.Errorf("metered %d gives %v, %+v; want %v", metered, got, r.Draws[0], want)
		}
	}
}

func TestMeterSeries(t *testing.T) {
	drawn := func(w *town) { w.refill(one, "", bore, 1_000_000) }
	metered := func(start, end int64) func(*town) {
		return func(w *town) {
			w.at(one, "", events.WaterRefilled{WaterSource: bore, MeterStartML: &start, MeterEndML: &end, Start: w.now, End: w.now})
		}
	}
	read := func(ml int64) func(*town) { return func(w *town) { w.read(bore, "M-2", ml) } }
	for _, c := range []struct {
		name  string
		steps []func(*town)
		want  map[reports.Code]int
	}{
		{"as drawn", []func(*town){read(0), drawn, read(1_020_000)}, map[reports.Code]int{}},
		{"less than drawn", []func(*town){read(0), drawn, read(900_000)}, map[reports.Code]int{reports.MeterDiffers: 1}},
		{"more than drawn under a permit", []func(*town){read(0), drawn, read(1_200_000)}, map[reports.Code]int{reports.MeterDiffers: 1}},
		{"backwards", []func(*town){read(500_000), read(499_999)}, map[reports.Code]int{reports.MeterBackwards: 1}},
		{"refill between readings", []func(*town){read(7), metered(7, 1_000_007), read(1_000_007)}, map[reports.Code]int{}},
		{"refill begins below the reading", []func(*town){read(8), metered(7, 1_000_007)}, map[reports.Code]int{reports.MeterBackwards: 1}},
		{"refill ends below its start", []func(*town){metered(7, 6)}, map[reports.Code]int{reports.MeterBackwards: 1}},
		{"another meter", []func(*town){read(500_000), func(w *town) { w.read(bore, "M-3", 0) }}, map[reports.Code]int{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newTown()
			for _, s := range c.steps {
				s(w)
			}
			wantCodes(t, w.compute(week(t, reports.Filter{})), c.want)
		})
	}
	w := newTown() // a standpipe that others use, too
	w.read(mains, "M-1", 0)
	w.read(mains, "M-1", 900_000_000)
	wantCodes(t, w.compute(week(t, reports.Filter{})), map[reports.Code]int{})
}

func ptr(v int64) *int64 { return &v }

// wet gives a truck slurry to decant.
func wet(w *town, id events.TruckID) {
	w.at(id, "J-1", events.LoadCollected{Material: "M-CLAY", SlurryVolume: measuredML(6_000_000), SlurryMass: &events.Mass{MassG: 6_600_000, Basis: events.Measured}})
}

func TestConsent(t *testing.T) {
	for _, c := range []struct {
		name   string
		decant events.WaterDecanted
		result string
		want   map[reports.Code]int
	}{
		{"at every limit", events.WaterDecanted{Outfall: sewer, Volume: *measuredML(3_000_000), PHHundredths: ptr(900), SuspendedSolidsMGPerL: ptr(400), TurbidityMilliNTU: ptr(100_000)},
			"within", map[reports.Code]int{}},
		{"lowest pH", events.WaterDecanted{Outfall: sewer, PHHundredths: ptr(600), SuspendedSolidsMGPerL: ptr(0), TurbidityMilliNTU: ptr(0)}, "within", map[reports.Code]int{}},
		{"above all", events.WaterDecanted{Outfall: sewer, PHHundredths: ptr(901), SuspendedSolidsMGPerL: ptr(401), TurbidityMilliNTU: ptr(100_001)},
			"pH 9.01 above 9.00; suspended solids 401 mg/L above 400 mg/L; turbidity 100.001 NTU above 100.000 NTU", map[reports.Code]int{reports.ConsentExceeded: 1}},
		{"acid", events.WaterDecanted{Outfall: sewer, PHHundredths: ptr(599), SuspendedSolidsMGPerL: ptr(0)}, "pH 5.99 below 6.00; turbidity not measured", map[reports.Code]int{reports.ConsentExceeded: 1}},
		{"a millilitre too much", events.WaterDecanted{Outfall: sewer, Volume: *measuredML(3_000_001), PHHundredths: ptr(700), SuspendedSolidsMGPerL: ptr(0), TurbidityMilliNTU: ptr(0)},
			"within", map[reports.Code]int{reports.ConsentExceeded: 1}},
		{"nowhere", events.WaterDecanted{}, "no consent", map[reports.Code]int{reports.NoConsent: 1}},
		{"not in the register", events.WaterDecanted{Outfall: "O-WHAT"}, "no consent", map[reports.Code]int{reports.NoConsent: 1, reports.UnknownReference: 1}},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newTown()
			wet(w, one)
			w.at(one, "J-1", c.decant)
			r := w.compute(week(t, reports.Filter{}))
			if got := r.Decants[0].Result; got != c.result {
				t.Errorf("result is %q; want %q", got, c.result)
			}
			wantCodes(t, r, c.want)
		})
	}
}

// A consent holds to the end of its last day in the outfall's zone.
func TestConsentDates(t *testing.T) {
	for date, want := range map[string]string{"2026-09-30T22:50:00.000Z": "S-9", "2026-09-30T23:00:00.000Z": ""} {
		w := newTown()
		w.revise(string(lagoon), events.Outfall{Name: "Lagoon", To: "lagoon", Consent: "S-9", ConsentTo: "2026-09-30", TimeZone: "Europe/Dublin"})
		w.now = events.MustTime(date)
		w.now.UnixMS -= 60_000
		w.at(one, "J-1", events.WaterDecanted{Outfall: lagoon})
		q := week(t, reports.Filter{})
		q.Period.From = events.MustTime("2026-09-01T00:00:00.000+01:00")
		if got := w.compute(q).Decants[0].Consent; got != want {
			t.Errorf("at %s consent %q is in force; want %q", date, got, want)
		}
	}
}

// EPA 2022 construction general permit, weekly average against 50 NTU, exceeded only
// above: 40 and 60 are not, 40 and 61 are. Readings of the weeks before and after do
// not count.
func TestWeeklyTurbidity(t *testing.T) {
	for second, want := range map[int64]int{60_000: 0, 61_000: 1} {
		w := newTown()
		w.now = events.MustTime("2026-10-04T23:58:00.000+01:00") // Sunday
		reading := func(id events.TruckID, milli int64) {
			w.at(id, "J-1", events.WaterDecanted{Outfall: lagoon, TurbidityMilliNTU: &milli})
		}
		reading(one, 900_000) // 23:59
		reading(one, 40_000)  // Monday
		w.now = events.MustTime("2026-10-11T23:58:00.000+01:00")
		reading(two, second)
		reading(two, 900_000) // Monday
		r := w.compute(week(t, reports.Filter{}))
		if len(r.Weeks) != 1 || r.Weeks[0].Monday != "2026-10-05" || r.Weeks[0].MeanMilliNTU() != (40_000+second)/2 {
			t.Errorf("weeks are %+v", r.Weeks)
		}
		wanted := map[reports.Code]int{}
		if want > 0 {
			wanted[reports.ConsentExceeded] = want
		}
		wantCodes(t, r, wanted)
	}
}

func TestPerBankVolume(t *testing.T) {
	w := newTown()
	w.refill(one, "", mains, 4_000_000)
	w.at(one, "J-1", events.LoadCollected{Material: "M-CLAY", Bank: &events.BankSoil{Volume: *measuredML(800_000)}, JettingWater: measuredML(1_200_000)})
	w.at(one, "J-1", events.LoadCollected{Material: "M-CLAY", Bank: &events.BankSoil{Volume: *measuredML(400_000)}, JettingWater: measuredML(900_000)})
	w.at(one, "J-1", events.LoadCollected{Material: "M-CLAY", SlurryVolume: measuredML(500_000), JettingWater: measuredML(300_000)})
	r := w.compute(week(t, reports.Filter{}))
	b := r.Banks[0]
	if v, ok := b.LitresPerM3Thousandths(); !ok || v != 1_750_000 || b.Loads != 2 || b.Unknown != 1 {
		t.Errorf("bank water is %+v, %d; want 1750 L/m3 of two loads, one unknown", b, v)
	}
	if r.Totals.JettingML != 2_400_000 || len(r.Uses) != 3 {
		t.Errorf("jetted %d mL in %d uses", r.Totals.JettingML, len(r.Uses))
	}
}
