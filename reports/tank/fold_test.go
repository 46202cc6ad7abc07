package tank_test

import (
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

func TestLoadMethods(t *testing.T) {
	wet := int64(600_000)
	for _, c := range []struct {
		name            string
		load            events.LoadCollected
		method          tank.Method
		basis           events.Basis
		massG, volumeML int64
		other           tank.Method
		want            map[reports.Code]int
	}{
		{"volume and mass", slurry(clay, 2_000_000, 2_600_000), tank.ByVolumeAndMass, events.Measured, 2_600_000, 2_000_000, "", map[reports.Code]int{}},
		{"mass alone", events.LoadCollected{Material: clay, SlurryMass: measuredG(2_800_000)}, tank.ByMassAlone, events.Assumed,
			2_800_000, 2_000_000, "", map[reports.Code]int{reports.AssumedDensity: 1}},
		{"volume alone", events.LoadCollected{Material: clay, SlurryVolume: measuredML(2_000_000)}, tank.ByVolumeAlone, events.Assumed,
			2_800_000, 2_000_000, "", map[reports.Code]int{reports.AssumedDensity: 1}},
		{"bank of the register", events.LoadCollected{Material: clay, Bank: &events.BankSoil{Volume: *measuredML(2_000_000)}}, tank.ByBankSoil, events.Assumed,
			3_800_000, 1_742_576, "", map[reports.Code]int{reports.AssumedDensity: 1}},
		{"bank beside slurry", events.LoadCollected{Material: clay, SlurryVolume: measuredML(2_000_000), SlurryMass: measuredG(2_600_000),
			Bank: &events.BankSoil{Volume: *measuredML(500_000)}}, tank.ByVolumeAndMass, events.Measured, 2_600_000, 2_000_000, tank.ByBankSoil,
			map[reports.Code]int{reports.AssumedDensity: 1}},
		{"lighter than water", slurry(clay, 2_000_000, 1_900_000), tank.ByMassAlone, events.Assumed, 1_900_000, 1_357_143, tank.ByVolumeAlone,
			map[reports.Code]int{reports.ImpossibleDensity: 1, reports.AssumedDensity: 1}},
		{"over-saturated bank", events.LoadCollected{Material: clay, Bank: &events.BankSoil{Volume: *measuredML(1_000_000), BulkDensityGPerM3: 2_000_000, MoisturePPM: &wet}},
			tank.ByMassAlone, events.Assumed, 2_000_000, 1_428_571, "", map[reports.Code]int{reports.ImpossibleSaturation: 1, reports.AssumedDensity: 1}},
		{"unknown material", events.LoadCollected{Material: "M-WHAT", SlurryVolume: measuredML(1_000_000)}, tank.ByVolumeAlone, events.Assumed,
			1_400_000, 1_000_000, "", map[reports.Code]int{reports.UnknownReference: 1, reports.AssumedDensity: 1}},
	} {
		t.Run(c.name, func(t *testing.T) {
			y := newYard()
			y.at("J-1", c.load)
			a := y.fold(tank.Options{})
			l := a.Loads[0]
			if l.Method != c.method || l.Basis != c.basis {
				t.Errorf("known by %s, %s; want %s, %s", l.Method, l.Basis, c.method, c.basis)
			}
			if got := l.Other; (got == nil) != (c.other == "") || got != nil && got.Method != c.other {
				t.Errorf("compared with %+v; want %q", got, c.other)
			}
			near(t, "mass", l.MassG(), c.massG, 1)
			near(t, "volume", l.VolumeML, c.volumeML, 1)
			wantCodes(t, a, c.want)
		})
	}
}

// The catalogue's findings of the tanks, each from the smallest day that shows it
// beside the same day just within bounds.
func TestFindings(t *testing.T) {
	type step func(*yard)
	load := func(ml, g int64) step { return func(y *yard) { y.at("J-1", slurry(clay, ml, g)) } }
	body := func(b events.Body) step { return func(y *yard) { y.at("J-1", b) } }
	refill := func(ml int64) step {
		return body(events.WaterRefilled{WaterSource: mains, Volume: measuredML(ml)})
	}
	wash := func(ml int64) step {
		return body(events.WaterUsed{Purpose: events.ForWashing, Volume: *measuredML(ml)})
	}
	gauge := func(tk events.Tank, ml int64) step {
		return body(events.TankGauged{Tank: tk, Volume: *measuredML(ml)})
	}
	tip := func(g int64) step { return body(events.SpoilTipped{Facility: pit, Mass: measuredG(g)}) }
	for _, c := range []struct {
		name  string
		steps []step
		want  reports.Code // "" for none
	}{
		{"tank just full", []step{load(8_000_000, 8_000_000)}, ""},
		{"tank over capacity", []step{load(8_000_001, 8_000_001)}, reports.OverCapacity},
		{"gross just permitted", []step{refill(1_000_000), load(7_000_000, 10_000_000)}, ""},
		{"gross over permitted", []step{refill(1_000_001), load(7_000_000, 10_000_000)}, reports.OverGross},
		{"all free water decanted", []step{load(1_000_000, 1_330_000), body(clearDecant(600_000))}, ""},
		{"more than free water", []step{load(1_000_000, 1_330_000), body(clearDecant(600_001))}, reports.DecantOverFree},
		{"more than all water", []step{load(1_000_000, 1_330_000), body(clearDecant(800_001))}, reports.DecantOverHeld},
		{"tipped all", []step{load(1_000_000, 1_330_000), tip(1_330_000)}, ""},
		{"tipped more than held", []step{load(1_000_000, 1_330_000), tip(1_330_001)}, reports.TippedOverHeld},
		{"tipped nothing", []step{tip(1_000)}, reports.TipOfEmptyTank},
		{"debris gauge within", []step{load(1_000_000, 1_330_000), gauge(events.DebrisTank, 1_030_000)}, ""},
		{"debris gauge above", []step{load(1_000_000, 1_330_000), gauge(events.DebrisTank, 1_050_000)}, reports.GaugeDiffers},
		{"debris gauge below", []step{load(1_000_000, 1_330_000), gauge(events.DebrisTank, 950_000)}, reports.GaugeDiffers},
		{"fresh tank says what it came with", []step{gauge(events.FreshTank, 2_000_000), wash(2_000_000)}, ""},
		{"fresh tank overdrawn", []step{gauge(events.FreshTank, 2_000_000), wash(2_000_001)}, reports.FreshOverdrawn},
		{"fresh gauge within", []step{gauge(events.FreshTank, 2_000_000), gauge(events.FreshTank, 2_060_000)}, ""},
		{"fresh gauge beyond", []step{gauge(events.FreshTank, 2_000_000), gauge(events.FreshTank, 2_070_000)}, reports.GaugeDiffers},
		{"fresh tank just full", []step{refill(4_000_000)}, ""},
		{"fresh tank over capacity", []step{refill(4_000_001)}, reports.FreshOverCapacity},
		{"unknown facility", []step{load(1_000_000, 1_330_000), body(events.SpoilTipped{Facility: "F-WHAT", Whole: true})}, reports.UnknownReference},
		{"unknown outfall", []step{load(1_000_000, 1_330_000), body(events.WaterDecanted{Volume: *measuredML(1), Outfall: "O-WHAT"})}, reports.UnknownReference},
		{"unknown source", []step{body(events.WaterRefilled{WaterSource: "W-WHAT", Volume: measuredML(1)})}, reports.UnknownReference},
		{"unknown job", []step{func(y *yard) { y.at("J-WHAT", slurry(clay, 1_000_000, 1_330_000)) }}, reports.UnknownReference},
	} {
		t.Run(c.name, func(t *testing.T) {
			y := newYard()
			for _, s := range c.steps {
				s(y)
			}
			want := map[reports.Code]int{}
			if c.want != "" {
				want[c.want] = 1
			}
			a := y.fold(tank.Options{})
			wantCodes(t, a, want)
			conserved(t, a)
		})
	}
}

// What contradicts the account goes to unaccounted, to the gram.
func TestUnaccounted(t *testing.T) {
	y := newYard()
	y.at("J-1", slurry(clay, 1_000_000, 1_330_000))                                                    // 530 kg of solids
	y.at("", clearDecant(900_000))                                                                     // 100 L more than the 800 L of water
	y.at("", events.SpoilTipped{Facility: pit, Mass: measuredG(540_000)})                              // 10 kg more than is left
	y.at("", events.WaterUsed{Purpose: events.ForDust, Volume: *measuredML(50_000)})                   // from an empty tank
	y.at("", events.TankGauged{Tank: events.DebrisTank, Volume: *measuredML(20_000)})                  // in an empty tank
	y.at("", events.WaterUsed{Purpose: events.ForOther, Volume: *measuredML(7), IntoDebrisTank: true}) // short, too
	a := y.fold(tank.Options{})
	u := a.Balance(tank.Unaccounted)
	near(t, "unaccounted water", u.WaterG, -(100_000 + 50_000 + 20_000 + 7), 0)
	near(t, "unaccounted solids", u.SolidsG, -10_000, 0)
	near(t, "at the facility", a.Balance(tank.FacilityAccount(pit)).SolidsG, 540_000, 0)
	near(t, "in the debris tank", a.Debris.WaterG(), 20_007, 0)
	conserved(t, a)
}

// Jetting water beyond what the load holds was not recovered.
func TestJettingLost(t *testing.T) {
	y := newYard()
	y.at("", events.WaterRefilled{WaterSource: mains, Volume: measuredML(1_000_000)})
	l := slurry(clay, 500_000, 665_000) // 400 L of water
	l.JettingWater = measuredML(600_000)
	y.at("J-1", l)
	a := y.fold(tank.Options{})
	near(t, "jetted", a.Balance(tank.Jetted).WaterG, 200_000, 0)
	near(t, "lost", a.Loads[0].LostML, 200_000, 0)
	near(t, "from the site", a.Balance(tank.Site).WaterG, 0, 0)
	near(t, "fresh", a.FreshML, 400_000, 0)
	conserved(t, a)
}

func TestRefillCountsTheBetterFigure(t *testing.T) {
	start, end, back := int64(10_000_000), int64(11_010_000), int64(9_000_000)
	assumed := &events.Volume{VolumeML: 900_000, Basis: events.Assumed}
	for _, c := range []struct {
		body    events.WaterRefilled
		want    int64
		byMeter bool
	}{
		{events.WaterRefilled{Volume: measuredML(1_000_000), MeterStartML: &start, MeterEndML: &end}, 1_000_000, false},
		{events.WaterRefilled{Volume: assumed, MeterStartML: &start, MeterEndML: &end}, 1_010_000, true},
		{events.WaterRefilled{MeterStartML: &start, MeterEndML: &end}, 1_010_000, true},
		{events.WaterRefilled{Volume: assumed, MeterStartML: &start, MeterEndML: &back}, 900_000, false},
		{events.WaterRefilled{MeterStartML: &start, MeterEndML: &back}, 0, false},
	} {
		y := newYard()
		c.body.WaterSource = mains
		y.at("", c.body)
		r := y.fold(tank.Options{}).Refills[0]
		if r.VolumeML != c.want || r.ByMeter != c.byMeter || r.Use != events.MainsStandpipe {
			t.Errorf("%+v counts %d, by meter %v; want %d, %v", c.body, r.VolumeML, r.ByMeter, c.want, c.byMeter)
		}
	}
}
