package tank_test

import (
	"fmt"
	"maps"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

type failer interface {
	Helper()
	Errorf(string, ...any)
}

// conserved holds an account to its laws: balances are the sums of the movements and
// sum to zero; the tanks hold their balances at the end, for each job and phase; and
// at no time does a tank owe anything.
func conserved(t failer, a *tank.Account) {
	t.Helper()
	balances := map[tank.AccountName]tank.Phases{}
	jobs := map[events.JobID]tank.Phases{}
	post := func(name tank.AccountName, job events.JobID, solidsG, waterG int64) {
		balances[name] = tank.Phases{SolidsG: balances[name].SolidsG + solidsG, WaterG: balances[name].WaterG + waterG}
		if name == tank.DebrisTank {
			jobs[job] = tank.Phases{SolidsG: jobs[job].SolidsG + solidsG, WaterG: jobs[job].WaterG + waterG}
		}
	}
	for i, m := range a.Movements {
		if m.SolidsG < 0 || m.WaterG < 0 || m.SolidsG == 0 && m.WaterG == 0 || m.From == m.To || len(m.Positions) == 0 {
			t.Errorf("movement %d is %+v", i, m)
		}
		post(m.From, m.Job, -m.SolidsG, -m.WaterG)
		post(m.To, m.Job, m.SolidsG, m.WaterG)
		if d := balances[tank.DebrisTank]; d.SolidsG < 0 || d.WaterG < 0 || balances[tank.FreshTank].WaterG < 0 {
			t.Errorf("after movement %d, %+v, the tanks hold %+v and %+v", i, m, d, balances[tank.FreshTank])
		}
	}
	var sum tank.Phases
	for _, b := range a.Balances() {
		if got := balances[b.Account]; got.SolidsG != b.SolidsG || got.WaterG != b.WaterG {
			t.Errorf("balance of %s is %+v; its movements sum to %+v", b.Account, b, got)
		}
		sum = tank.Phases{SolidsG: sum.SolidsG + b.SolidsG, WaterG: sum.WaterG + b.WaterG}
	}
	if sum != (tank.Phases{}) {
		t.Errorf("balances sum to %+v; want nothing", sum)
	}
	for _, p := range a.Debris {
		jobs[p.Job] = tank.Phases{SolidsG: jobs[p.Job].SolidsG - p.SolidsG, WaterG: jobs[p.Job].WaterG - p.WaterG}
	}
	for _, job := range slices.Sorted(maps.Keys(jobs)) {
		if jobs[job] != (tank.Phases{}) {
			t.Errorf("movements and parcels of job %q differ by %+v", job, jobs[job])
		}
	}
	if f := balances[tank.FreshTank].WaterG; f != a.FreshML {
		t.Errorf("the fresh tank holds %d mL; its movements sum to %d", a.FreshML, f)
	}
}

// day draws a day of valid events, careless ones among them.
func day(t *rapid.T) *yard {
	y := newYard()
	tips := []events.Ref{}
	for range rapid.IntRange(0, 40).Draw(t, "events") {
		job := rapid.SampledFrom([]events.JobID{"J-1", "J-2"}).Draw(t, "job")
		if rapid.IntRange(0, 5).Draw(t, "same minute") == 0 {
			y.now.UnixMS -= 60_000
		}
		switch rapid.IntRange(0, 9).Draw(t, "kind") {
		case 0, 1:
			y.at(job, anyLoad(t))
		case 2:
			y.at(job, anyDecant(t))
		case 3:
			tips = append(tips, y.at(job, anyTip(t)))
		case 4:
			y.at(job, events.WaterRefilled{WaterSource: mains, Volume: anyVolume(t, 3_000_000)})
		case 5:
			y.at(job, events.WaterUsed{Purpose: events.ForWashing, Volume: *anyVolume(t, 500_000), IntoDebrisTank: rapid.Bool().Draw(t, "into debris")})
		case 6:
			y.at(job, events.TankGauged{Tank: rapid.SampledFrom([]events.Tank{events.DebrisTank, events.FreshTank}).Draw(t, "tank"), Volume: *anyVolume(t, 4_000_000)})
		case 7:
			y.at(job, events.SpoilRefused{Facility: pit, Reason: events.RefusedTooWet})
		case 8:
			if len(tips) > 0 {
				y.at("", anyReturn(t, rapid.SampledFrom(tips).Draw(t, "returned tip")))
			}
		case 9:
			if len(tips) > 0 {
				y.office(events.DocketReceived{Tip: rapid.SampledFrom(tips).Draw(t, "tip"), Facility: pit, Number: "D", WeighedAt: y.now,
					NetG: rapid.Int64Range(0, 9_000_000).Draw(t, "net")})
			}
		}
	}
	return y
}

func anyReturn(t *rapid.T, tip events.Ref) events.SpoilReturned {
	r := events.SpoilReturned{Facility: pit, Tip: tip, Reason: events.RefusedContents}
	switch rapid.IntRange(0, 3).Draw(t, "how much") {
	case 0:
		r.Whole = true
	case 1:
		r.Volume = anyVolume(t, 2_000_000)
	case 2:
		r.Mass = measuredG(rapid.Int64Range(0, 3_000_000).Draw(t, "mass"))
	default:
		r.PortionPPM = rapid.Int64Range(1, 1_000_000).Draw(t, "portion")
	}
	return r
}

func anyVolume(t *rapid.T, max int64) *events.Volume {
	return &events.Volume{VolumeML: rapid.Int64Range(0, max).Draw(t, "volume"), Basis: events.Measured,
		ToleranceML: rapid.SampledFrom([]int64{0, 10_000, 100_000}).Draw(t, "tolerance")}
}

func anyLoad(t *rapid.T) events.LoadCollected {
	l := events.LoadCollected{Material: rapid.SampledFrom([]events.MaterialID{clay, silt, "M-NEW"}).Draw(t, "material")}
	if rapid.Bool().Draw(t, "jetting") {
		l.JettingWater = anyVolume(t, 2_000_000)
	}
	if rapid.Bool().Draw(t, "slurry volume") {
		l.SlurryVolume = anyVolume(t, 3_000_000)
	}
	if rapid.Bool().Draw(t, "slurry mass") {
		l.SlurryMass = measuredG(rapid.Int64Range(0, 5_000_000).Draw(t, "mass"))
	}
	if l.SlurryVolume == nil && l.SlurryMass == nil || rapid.Bool().Draw(t, "bank") {
		l.Bank = &events.BankSoil{Volume: *anyVolume(t, 1_500_000)}
		if rapid.Bool().Draw(t, "sampled") {
			moisture := rapid.Int64Range(0, 800_000).Draw(t, "moisture")
			l.Bank.MoisturePPM = &moisture
			l.Bank.BulkDensityGPerM3 = rapid.Int64Range(500_000, 4_000_000).Draw(t, "bulk density")
		}
	}
	return l
}

func anyDecant(t *rapid.T) events.WaterDecanted {
	d := events.WaterDecanted{Volume: *anyVolume(t, 2_000_000), Outfall: rapid.SampledFrom([]events.OutfallID{"", sewer}).Draw(t, "outfall")}
	switch rapid.IntRange(0, 3).Draw(t, "turbid") {
	case 0:
		density := rapid.Int64Range(990_000, 2_000_000).Draw(t, "density")
		d.DensityGPerM3 = &density
	case 1:
		suspended := rapid.Int64Range(0, 1_000_000).Draw(t, "suspended solids")
		d.SuspendedSolidsMGPerL = &suspended
	}
	return d
}

func anyTip(t *rapid.T) events.SpoilTipped {
	tip := events.SpoilTipped{Facility: pit}
	switch rapid.IntRange(0, 3).Draw(t, "how much") {
	case 0:
		tip.Whole = true
	case 1:
		tip.Volume = anyVolume(t, 4_000_000)
	case 2:
		tip.Mass = measuredG(rapid.Int64Range(0, 6_000_000).Draw(t, "mass"))
	default:
		tip.PortionPPM = rapid.Int64Range(1, 1_000_000).Draw(t, "portion")
	}
	return tip
}

func TestConservation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		y := day(t)
		o := tank.Options{FirstInFirstOut: rapid.Bool().Draw(t, "first in, first out")}
		a := y.fold(o)
		conserved(t, a)
		stepwise(t, a)
		for i := range a.Tips {
			tip := &a.Tips[i]
			whole(t, fmt.Sprintf("tip %d", i), tip.Shares, tip.SolidsG-tip.UnheldSolidsG, tip.WaterG-tip.UnheldWaterG)
			if b := tip.Entry.Body.(events.SpoilTipped); b.Mass != nil && tip.MassG() != b.Mass.MassG {
				t.Errorf("tip %d of %d g is %d g in the account", i, b.Mass.MassG, tip.MassG())
			}
		}
		for i := range a.Decants {
			d := &a.Decants[i]
			whole(t, fmt.Sprintf("decant %d", i), d.Shares, d.SolidsG-d.UnheldSolidsG, d.WaterG-d.UnheldWaterG)
		}
		returnsHold(t, a)
		o.OmitMovements = true
		if lean := y.fold(o); len(lean.Movements) != 0 || !slices.Equal(lean.Balances(), a.Balances()) {
			t.Errorf("without movements the balances are %v; want %v", lean.Balances(), a.Balances())
		}
	})
}

// returnsHold holds returns to their shares, and what tips say came back to the
// returns: never more than was tipped.
func returnsHold(t *rapid.T, a *tank.Account) {
	back := map[int]tank.Phases{}
	for i := range a.Returns {
		r := &a.Returns[i]
		solidsG, waterG := r.SolidsG-r.UntippedSolidsG, r.WaterG-r.UntippedWaterG
		whole(t, fmt.Sprintf("return %d", i), r.Shares, solidsG, waterG)
		if r.Tip < 0 && (solidsG != 0 || waterG != 0) {
			t.Errorf("return %d matches no tip and brings %+v", i, r)
		}
		back[r.Tip] = tank.Phases{SolidsG: back[r.Tip].SolidsG + solidsG, WaterG: back[r.Tip].WaterG + waterG}
	}
	for i := range a.Tips {
		tip := &a.Tips[i]
		if b := back[i]; tip.Returned.SolidsG != b.SolidsG || tip.Returned.WaterG != b.WaterG || b.SolidsG > tip.SolidsG || b.WaterG > tip.WaterG {
			t.Errorf("tip %d of %d and %d g says that %+v came back; its returns say %+v", i, tip.SolidsG, tip.WaterG, tip.Returned, b)
		}
	}
}

// stepwise holds what each entry says the debris tank held after it against the
// movements up to then.
func stepwise(t *rapid.T, a *tank.Account) {
	said := map[uint64]int64{}
	for i := range a.Loads {
		said[a.Loads[i].Entry.Positions[0]] = a.Loads[i].After.MassG()
	}
	for i := range a.Decants {
		said[a.Decants[i].Entry.Positions[0]] = a.Decants[i].After.MassG()
	}
	for i := range a.Tips {
		said[a.Tips[i].Entry.Positions[0]] = a.Tips[i].Heel.MassG()
	}
	for i := range a.Returns {
		said[a.Returns[i].Entry.Positions[0]] = a.Returns[i].After.MassG()
	}
	var held int64
	for i, m := range a.Movements {
		if m.To == tank.DebrisTank {
			held += m.SolidsG + m.WaterG
		}
		if m.From == tank.DebrisTank {
			held -= m.SolidsG + m.WaterG
		}
		last := i+1 == len(a.Movements) || a.Movements[i+1].Positions[0] != m.Positions[0]
		if want, ok := said[m.Positions[0]]; ok && last && held != want {
			t.Errorf("after the entry at %d the movements leave %d g; it says %d g", m.Positions[0], held, want)
		}
	}
}

func whole(t *rapid.T, what string, shares []tank.Share, solidsG, waterG int64) {
	for _, s := range shares {
		solidsG -= s.SolidsG
		waterG -= s.WaterG
		if s.SolidsG < 0 || s.WaterG < 0 || s.VolumeML < 0 || len(s.Cites) == 0 {
			t.Errorf("%s has the share %+v", what, s)
		}
	}
	if solidsG != 0 || waterG != 0 {
		t.Errorf("%s: the shares lack %d g of solids and %d g of water", what, solidsG, waterG)
	}
}

// The order in which events came, and so the positions that they have, changes
// nothing but what is cited.
func TestArrivalOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		y := day(t)
		a := y.fold(tank.Options{})
		n := len(y.recs)
		order := rapid.Permutation(y.recs).Draw(t, "order")
		b := tank.Fold(reports.Resolve(order, uint64(n)), truck, tank.Options{})
		if got, want := fmt.Sprint(outline(b), b.Movements), fmt.Sprint(outline(a), a.Movements); got != want {
			t.Errorf("shuffled rows give\n%s\nwant\n%s", got, want)
		}
		for i := range order {
			order[i].Position = uint64(i + 1)
		}
		c := tank.Fold(reports.Resolve(order, uint64(n)), truck, tank.Options{})
		if got, want := outline(c), outline(a); got != want {
			t.Errorf("another order of arrival gives\n%s\nwant\n%s", got, want)
		}
	})
}

// outline is an account without positions.
func outline(a *tank.Account) string {
	s := fmt.Sprintln(a.Balances(), a.FreshML, a.Debris.Summary(), codes(a))
	for _, m := range a.Movements {
		m.Positions = nil
		s += fmt.Sprintln(m)
	}
	for i := range a.Tips {
		s += fmt.Sprintln(a.Tips[i].Before, a.Tips[i].Decants, a.Tips[i].Basis, a.Tips[i].ToleranceG, a.Tips[i].VolumeML)
	}
	return s
}
