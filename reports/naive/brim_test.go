package naive_test

import (
	"fmt"
	"math/big"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/naive"
	"spoilbook/reports/tank"
)

// brim watches whether a debris tank holds more than the register lets it. That it
// does is said once until something leaves it: when the capacity becomes smaller, or
// with the next load, return, refill, use of water or gauge that was followed.
type brim struct {
	truth naive.Ledger
	begun int64 // revisions before it have taken effect
	said  bool
	close bool // within two millilitres, where whole millilitres decide
	found []string
}

func (b *brim) over(t naive.Tank, capacityML *big.Rat) bool {
	d := new(big.Rat).Sub(t.VolumeML(), capacityML)
	b.close = b.close || new(big.Rat).Abs(d).Cmp(big.NewRat(2, 1)) <= 0
	return positive(d)
}

// pass lets the truck's revisions up to a time take effect on what the tank holds.
func (b *brim) pass(held naive.Tank, until int64) {
	times := []int64{}
	for _, r := range b.truth.Revisions {
		if at := r.EffectiveFrom.UnixMS; r.Key == string(truck) && at > b.begun && at <= until {
			times = append(times, at)
		}
	}
	slices.Sort(times)
	for _, at := range times {
		was, is := b.truth.CapacityML(truck, events.Time{UnixMS: at - 1}), b.truth.CapacityML(truck, events.Time{UnixMS: at})
		if is.Cmp(was) < 0 && b.over(held, is) {
			b.found = append(b.found, fmt.Sprint(at, " ", reports.HeldOverCapacity))
			b.said = true
		}
		b.begun = at
	}
}

// entry judges what the tank holds after an entry.
func (b *brim) entry(e events.Event, out naive.Outcome, after naive.Tank, gauged bool) {
	looked := false
	switch body := e.Body.(type) {
	case events.WaterDecanted, events.SpoilTipped:
		b.said = b.said && out.Before.Held().MassG().Cmp(after.Held().MassG()) == 0
	case events.LoadCollected, events.SpoilReturned, events.WaterRefilled, events.WaterUsed:
		looked = true
	case events.TankGauged:
		looked = gauged
		if gauged && body.Tank == events.DebrisTank && out.Before.VolumeML().Cmp(after.VolumeML()) > 0 {
			b.said = false
		}
	}
	if !looked {
		return
	}
	over := b.over(after, b.truth.CapacityML(truck, e.Occurred))
	if over && !b.said {
		b.found = append(b.found, fmt.Sprint(e.Occurred.UnixMS, " ", reports.OverCapacity))
	}
	b.said = over
}

// A tank over its capacity is found where it should be, and so is one that the
// register made smaller, or that of the vehicle that took over the number plate.
func TestTankBrim(t *testing.T) {
	found, days, tooClose := map[string]int{}, 0, 0
	eachDay(t, func(t *rapid.T, d day) {
		whole := tank.Fold(d.journal(), truck, tank.Options{})
		follow := contradicting(t, whole)
		ordered := d.truth.Ordered()
		b := &brim{truth: d.truth, begun: d.start.unixMS - 2000*hour}
		j := d.prefix(ordered, 0)
		before := tank.Fold(j, truck, tank.Options{})
		for n, e := range ordered {
			from := exactly(before, j)
			b.pass(from, e.Occurred.UnixMS)
			_, out := d.truth.Step(from, e, naive.Options{Contradicts: follow})
			j = d.prefix(ordered, n+1)
			before = tank.Fold(j, truck, tank.Options{})
			b.entry(e, out, exactly(before, j), follow[e.Ref()])
		}
		b.pass(exactly(before, j), d.start.unixMS+1000*hour)
		days++
		if b.close {
			tooClose++
			return
		}
		got := []string{}
		for _, f := range whole.Findings {
			if f.Code == reports.OverCapacity || f.Code == reports.HeldOverCapacity {
				got = append(got, fmt.Sprint(f.At.UnixMS, " ", f.Code))
				found[string(f.Code)]++
			}
		}
		slices.Sort(got)
		slices.Sort(b.found)
		if !slices.Equal(got, b.found) {
			t.Fatalf("%s\nproduction finds %v; want %v", d.tale(), got, b.found)
		}
	})
	t.Logf("%d days, %d too close to call; found %v", days, tooClose, found)
	if !t.Failed() && (found[string(reports.OverCapacity)] == 0 || found[string(reports.HeldOverCapacity)] == 0) {
		t.Errorf("the days have too few full tanks: found %v", found)
	}
}

// What another truck with the same number plate did is its own: its loads and tips are
// not in this truck's tank, and this truck's are not in its.
func TestTwinsShareAPlateAndNothingElse(t *testing.T) {
	told := 0
	eachDay(t, func(t *rapid.T, d day) {
		j := d.journal()
		a := tank.Fold(j, twin, tank.Options{})
		n := len(d.twin.Entries)
		got, _ := d.twin.TankAfter(n, naive.Options{})
		g := judge{t: t, what: fmt.Sprintf("%d entries of the twin", n), worst: map[string]float64{}}
		compareContents(g, got, exactly(a, j), bound{parcel: 0.5})
		facility := a.Balance(tank.FacilityAccount("F-PIT"))
		exact, ok := got.Accounts["facility:F-PIT"]
		if !ok {
			exact = amount(0, 0)
		}
		g.within("solids tipped", exact.SolidsG, facility.SolidsG, float64(n))
		g.within("water tipped", exact.WaterG, facility.WaterG, float64(n))
		for _, docket := range a.Dockets {
			t.Fatalf("docket %+v is no docket of the twin", docket)
		}
		told += n
	})
	if told == 0 {
		t.Error("no twin did anything")
	}
}
