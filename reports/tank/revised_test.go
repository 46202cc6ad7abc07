package tank_test

import (
	"slices"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// truckOf is the yard's truck with another debris tank.
func truckOf(change func(*events.Truck)) events.Truck {
	t := events.Truck{Name: "One", Registration: "TM 1", Carrier: "tarnmoor", DebrisCapacityL: 8000,
		FreshCapacityL: 4000, TareKg: 15_000, PermittedGrossKg: 26_000, LevelTolerancePermille: 20}
	change(&t)
	return t
}

// reviseAt changes a register entry some minutes from now.
func (y *yard) reviseAt(minutes int64, key string, doc events.Document) uint64 {
	at := y.now
	at.UnixMS += minutes * 60_000
	y.append(events.OfficeSource("yard"), "", "", events.RegisterRevised{Key: key, EffectiveFrom: at, Author: "A", Document: doc})
	return uint64(len(y.recs))
}

// The tank was rated at 8000 L and is at 6000 L from some minute on. What it holds then
// decides; an entry before is judged by the old capacity and one after by the new.
func TestCapacityChanged(t *testing.T) {
	smaller := truckOf(func(t *events.Truck) { t.DebrisCapacityL = 6000 })
	for _, c := range []struct {
		name         string
		firstL, next int64
		want         map[reports.Code]int
	}{
		{"holds less", 5000, 1000, map[reports.Code]int{}},
		{"just as much", 6000, 0, map[reports.Code]int{}},
		{"holds more", 6001, 0, map[reports.Code]int{reports.HeldOverCapacity: 1}},
		{"found once", 7000, 500, map[reports.Code]int{reports.HeldOverCapacity: 1}},
		{"the next load is one too many", 5000, 1001, map[reports.Code]int{reports.OverCapacity: 1}},
	} {
		y := newYard()
		y.at("J-1", slurry(clay, c.firstL*1000, c.firstL*1000))
		revision := y.reviseAt(1, string(truck), smaller)
		if c.next > 0 {
			y.now.UnixMS += 120_000
			y.at("J-1", slurry(clay, c.next*1000, c.next*1000))
		}
		a := y.fold(tank.Options{})
		wantCodes(t, a, c.want)
		if len(a.Findings) == 1 && a.Findings[0].Code == reports.HeldOverCapacity {
			f := a.Findings[0]
			if !slices.Equal(f.Cites, []uint64{revision, a.Loads[0].Entry.Positions[0]}) || f.At.UnixMS != a.Loads[0].Entry.Occurred.UnixMS+60_000 {
				t.Errorf("%s: the finding is at %s and cites %v", c.name, f.At, f.Cites)
			}
		}
	}
}

// A larger tank finds nothing, and a revision sent again for the same minute replaces
// the one before.
func TestCapacityChangedAndPutRight(t *testing.T) {
	y := newYard()
	y.at("J-1", slurry(clay, 7_000_000, 7_000_000))
	y.reviseAt(1, string(truck), truckOf(func(t *events.Truck) { t.DebrisCapacityL = 600 }))
	y.reviseAt(1, string(truck), truckOf(func(t *events.Truck) { t.DebrisCapacityL = 9000 }))
	wantCodes(t, y.fold(tank.Options{}), map[reports.Code]int{})

	y = newYard()
	y.at("", events.WaterRefilled{WaterSource: mains, Volume: measuredML(3_500_000)})
	y.reviseAt(1, string(truck), truckOf(func(t *events.Truck) { t.FreshCapacityL = 3000 }))
	wantCodes(t, y.fold(tank.Options{}), map[reports.Code]int{reports.FreshOverCapacity: 1})
}

// The volume at a level is by the strapping table where there is one. The cylinder of
// 1.8 m by 4.2 m holds 7.56912 m3 at 1.2 m (recomputed independently); the table says
// 4000 L. The tolerance is the register's 2 %.
func TestGaugeByLevel(t *testing.T) {
	level := int64(1200)
	cylinder := truckOf(func(t *events.Truck) { t.DebrisTankDiameterMM, t.DebrisTankLengthMM = 1800, 4200 })
	strapped := cylinder
	strapped.DebrisStrapping = []events.StrappingPoint{{LevelMM: 0, VolumeL: 0}, {LevelMM: 1500, VolumeL: 5000}}
	for _, c := range []struct {
		name string
		doc  events.Truck
		ml   int64
	}{{"cylinder", cylinder, 7_569_120}, {"strapping table", strapped, 4_000_000}} {
		y := newYard()
		y.revise(string(truck), c.doc)
		y.at("J-1", slurry(clay, c.ml, c.ml))
		y.at("", events.TankGauged{Tank: events.DebrisTank, LevelMM: &level})
		a := y.fold(tank.Options{})
		wantCodes(t, a, map[reports.Code]int{})
		g := a.Gauges[0]
		near(t, c.name, g.MeasuredML, c.ml, 5)
		near(t, c.name+": tolerance", g.ToleranceML, hypot(c.ml*3/100, expanded(float64(c.ml)*0.02)), 1)
		if g.LevelMM == nil || *g.LevelMM != level || g.By == "" || g.Unusable {
			t.Errorf("%s: the gauge is %+v", c.name, g)
		}
	}
}

// A level that cannot be turned into a volume moves nothing, is found, and is not taken
// for what the truck came with.
func TestGaugeByLevelWithoutGeometry(t *testing.T) {
	level, high := int64(500), int64(4000)
	y := newYard()
	y.at("J-1", slurryOf(clay, 3_000_000))
	y.at("", events.TankGauged{Tank: events.DebrisTank, LevelMM: &level})
	y.reviseAt(1, string(truck), truckOf(func(t *events.Truck) { t.DebrisTankDiameterMM, t.DebrisTankLengthMM = 1800, 4200 }))
	y.at("", events.TankGauged{Tank: events.DebrisTank, LevelMM: &high})
	y.at("", events.TankGauged{Tank: events.FreshTank, LevelMM: &level})
	y.at("", events.TankGauged{Tank: events.FreshTank, Volume: *measuredML(1_000_000)})
	a := y.fold(tank.Options{})
	wantCodes(t, a, map[reports.Code]int{reports.LevelUnusable: 3})
	if g := a.Gauges; !g[0].Unusable || !g[1].Unusable || !g[2].Unusable || g[3].Unusable || !g[3].Opening {
		t.Errorf("gauges are %+v", g)
	}
	near(t, "unaccounted", a.Balance(tank.Unaccounted).WaterG, -1_000_000, 0) // the fresh tank's opening
}

// spanned is a load that was collected from a time to a time of 2026-10-24 or later.
func spanned(start, end string) events.LoadCollected {
	l := slurryOf(clay, 1_000_000)
	l.Start, l.End = events.MustTime(start), events.MustTime(end)
	return l
}

// Loads that claim the same time both count; those that only touch do not overlap.
func TestOverlappingLoads(t *testing.T) {
	for _, c := range []struct {
		name  string
		loads []events.LoadCollected
		want  int
		cites int
	}{
		{"one after another", []events.LoadCollected{spanned("2026-10-05T08:00:00+01:00", "2026-10-05T08:20:00+01:00"), spanned("2026-10-05T08:20:00+01:00", "2026-10-05T08:40:00+01:00")}, 0, 0},
		{"a minute together", []events.LoadCollected{spanned("2026-10-05T08:00:00+01:00", "2026-10-05T08:21:00+01:00"), spanned("2026-10-05T08:20:00+01:00", "2026-10-05T08:40:00+01:00")}, 1, 2},
		{"entered twice", []events.LoadCollected{spanned("2026-10-05T08:00:00+01:00", "2026-10-05T08:20:00+01:00"), spanned("2026-10-05T08:00:00+01:00", "2026-10-05T08:20:00+01:00")}, 1, 2},
		{"one within two", []events.LoadCollected{spanned("2026-10-05T08:00:00+01:00", "2026-10-05T08:30:00+01:00"), spanned("2026-10-05T08:30:00+01:00", "2026-10-05T09:00:00+01:00"),
			spanned("2026-10-05T08:20:00+01:00", "2026-10-05T08:40:00+01:00")}, 1, 3},
		{"in two zones, one after another", []events.LoadCollected{spanned("2026-10-05T08:00:00+01:00", "2026-10-05T08:20:00+01:00"), spanned("2026-10-05T09:20:00+02:00", "2026-10-05T09:40:00+02:00")}, 0, 0},
	} {
		y := newYard()
		for _, l := range c.loads {
			y.at("J-1", l)
		}
		a := y.fold(tank.Options{})
		want := map[reports.Code]int{}
		if c.want > 0 {
			want[reports.LoadsOverlap] = c.want
		}
		wantCodes(t, a, want)
		if c.want > 0 && len(a.Findings[0].Cites) != c.cites {
			t.Errorf("%s: the finding cites %v; want %d events", c.name, a.Findings[0].Cites, c.cites)
		}
		near(t, c.name+": held", a.Debris.MassG(), int64(len(c.loads))*1_000_000, 0)
	}
}

// A load from 23:30 to 02:10 crosses midnight and the hour that comes twice: 3 h 40 min
// by the clocks of instants. It counts once, at its end, and the one after it, which
// begins at a smaller time of day, does not overlap it.
func TestLoadAcrossMidnightAndClockChange(t *testing.T) {
	y := newYard()
	long := spanned("2026-10-24T23:30:00+01:00", "2026-10-25T02:10:00+00:00")
	y.now = long.End
	y.at("J-1", long)
	y.at("J-1", spanned("2026-10-25T02:10:00+00:00", "2026-10-25T02:30:00+00:00"))
	a := y.fold(tank.Options{})
	wantCodes(t, a, map[reports.Code]int{})
	near(t, "held", a.Debris.MassG(), 2_000_000, 0)
	if start, end := a.Loads[0].Entry.Interval(); end.UnixMS-start.UnixMS != 220*60_000 {
		t.Errorf("the load took %d min", (end.UnixMS-start.UnixMS)/60_000)
	}
}

// A correction of a correction: the last stands, of the load and of everything after
// it, and the load cites all three.
func TestCorrectionOfCorrection(t *testing.T) {
	y := newYard()
	ref := y.at("J-1", slurryOf(clay, 1_000_000))
	y.at("", events.SpoilTipped{Facility: pit, Whole: true})
	first := y.office(events.EntryCorrected{Refers: ref, Reason: "misread", Author: "A", Replacement: events.Replacement{Body: slurryOf(clay, 2_000_000)}})
	y.office(events.EntryCorrected{Refers: first, Reason: "misread again", Author: "B", Replacement: events.Replacement{Body: slurryOf(clay, 3_000_000), Job: "J-2"}})
	a := y.fold(tank.Options{})
	n := uint64(len(y.recs))
	if got := a.Loads[0].Entry.Positions; !slices.Equal(got, []uint64{n - 3, n - 1, n}) {
		t.Errorf("the load cites %v", got)
	}
	if s := a.Tips[0].Shares; len(s) != 1 || s[0].Job != "J-2" || s[0].MassG() != 3_000_000 {
		t.Errorf("the tip's shares are %+v", s)
	}
	wantCodes(t, a, map[reports.Code]int{})
}

// One tank for two facilities: of 6000 kg, a third goes to one and the rest to the
// other. Each receives its part of both jobs, each cites the decant, and each has its
// own docket.
func TestTwoFacilitiesForOneTank(t *testing.T) {
	y := newYard()
	y.revise(string(yardPit), events.Facility{Name: "Other", Address: "Tarnmoor", Class: events.SoilRecoveryClass, WeighbridgeIntervalKg: 20, TimeZone: "Europe/Dublin"})
	y.at("J-1", slurry(clay, 3_000_000, 4_000_000))
	y.at("J-2", slurry(clay, 2_500_000, 3_000_000))
	y.at("J-2", clearDecant(1_000_000))
	one := y.at("", events.SpoilTipped{Facility: pit, Mass: measuredG(2_000_000)})
	two := y.at("", events.SpoilTipped{Facility: yardPit, Whole: true})
	y.office(events.DocketReceived{Tip: two, Facility: yardPit, Number: "D-2", WeighedAt: y.now, NetG: 4_000_000})
	y.office(events.DocketReceived{Tip: one, Facility: pit, Number: "D-1", WeighedAt: y.now, NetG: 2_000_000})
	a := y.fold(tank.Options{})
	wantCodes(t, a, map[reports.Code]int{})
	for i, f := range []events.FacilityID{pit, yardPit} {
		tip := &a.Tips[i]
		if tip.Facility != f || !slices.Equal(tip.Decants, []int{0}) || len(tip.Shares) != 2 || tip.Docket == nil {
			t.Fatalf("tip %d is %+v", i, tip)
		}
		near(t, "received", massOf(a.Balance(tank.FacilityAccount(f))), tip.MassG(), 0)
		near(t, "share of J-1", tip.Shares[0].MassG()*1000/tip.MassG(), a.Tips[1-i].Shares[0].MassG()*1000/a.Tips[1-i].MassG(), 1)
	}
	near(t, "first", a.Tips[0].MassG(), 2_000_000, 0)
	near(t, "second", a.Tips[1].MassG(), 4_000_000, 0)
	near(t, "J-1 in both", a.Tips[0].Shares[0].MassG()+a.Tips[1].Shares[0].MassG()+a.Decants[0].Shares[0].WaterG, 4_000_000, 0)
	conserved(t, a)
}
