package naive_test

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports/naive"
	"spoilbook/reports/tank"
)

// slack is how far production's whole grams may have drifted from the exact
// history: of the contents, as the sum over parcels and phases, and of the masses
// of all accounts.
type slack struct {
	held, accounts float64
	there          map[events.Ref]float64 // of what each tip brought
}

// grow adds what one entry can add. Contents that are off by held grams in all
// stay so when a part of given size leaves them: each parcel's error shrinks with
// the parcel, and what the wrong sum does to the others' shares comes to no more
// than the error of what left. A part given as a volume is a mass through the
// density, which multiplies. A figure that rests on what a nearly empty tank was
// made of is beyond any bound, until the tank is emptied.
func (s *slack) grow(out naive.Outcome, b bound, contradicts bool) {
	parts := 2 * b.parcel * float64(len(out.Parts)+1)
	held, solids := float(out.Before.Held().MassG()), float(out.Before.Held().SolidsG)
	sensitive := func(moved, of float64) float64 {
		switch {
		case moved == 0 || s.held == 0:
			return 0
		case of <= 2*s.held:
			return math.Inf(1)
		}
		return 6 * moved * s.held / of
	}
	switch body := out.Entry.Body.(type) {
	case events.LoadCollected:
		s.held += 2 * b.parcel
		s.accounts += 4 * b.total
	case events.WaterDecanted:
		turbid := sensitive(float(out.Moved.SolidsG), solids)
		s.accounts += 2*s.held + 2*turbid + parts
		s.held += turbid + parts
	case events.SpoilTipped:
		s.accounts += sensitive(float(out.Unheld.MassG()), held)
		s.there[out.Entry.Ref()] = 2*s.held + parts + sensitive(float(out.Unheld.MassG()), held)
		if body.Whole {
			s.accounts += s.held
			s.held = 0
			return
		}
		defer func() { s.there[out.Entry.Ref()] += s.held }()
		density := max(1, held/max(1, float(out.Before.VolumeML())))
		s.accounts += 4*s.held*density + parts
		s.held = 2*s.held*density + parts
	case events.SpoilReturned:
		e, of := s.there[body.Tip], 0.0
		for _, d := range out.Before.Delivered {
			if d.Tip == body.Tip {
				of = float(d.Tipped.MassG())
			}
		}
		if beyond := float(out.Unheld.MassG()); beyond > 0 && e > 0 {
			if of <= 2*e {
				e = math.Inf(1)
			}
			e += 6 * beyond * e / of
		}
		s.held += 6*e + parts
		s.accounts += 12*e + 2*parts
		s.there[body.Tip] += 6*e + parts
	case events.TankGauged:
		if body.Tank == events.DebrisTank && contradicts {
			s.accounts += s.held + parts
			s.held = 2*s.held + parts
		}
	}
}

// The whole history from the first entry, exactly, after each entry: production
// drifts from it by its roundings alone.
func TestTankHistory(t *testing.T) {
	worst := map[string]float64{}
	bounded, all := 0, 0
	list := starts(t)
	rapid.Check(t, func(t *rapid.T) { // the exact fold of a whole day again after each entry is slow
		d := tellDay(t, list[evenly(t, "start", 0, int64(len(list)-1))]).record()
		fifo := rapid.Bool().Draw(t, "first in, first out")
		ordered := d.truth.Ordered()
		whole := tank.Fold(d.journal(), truck, tank.Options{FirstInFirstOut: fifo})
		o := naive.Options{FirstInFirstOut: fifo, Contradicts: contradicting(t, whole)}
		s := slack{there: map[events.Ref]float64{}}
		for n := range ordered {
			j := d.prefix(ordered, n+1)
			a := tank.Fold(j, truck, tank.Options{FirstInFirstOut: fifo})
			got, out := d.truth.TankAfter(n+1, o)
			g := judge{t: t, what: describe(out.Entry, out.Before), worst: worst}
			s.grow(out, stepBound(out, a), o.Contradicts[out.Entry.Ref()])
			all++
			if s.held < 100 {
				bounded++
			}
			compareContents(g, got, exactly(a, j), bound{parcel: s.held})
			g.exact("fresh tank", a.FreshML, got.FreshML.Num().Int64())
			for name, exact := range got.Accounts {
				b := a.Balance(tank.AccountName(name))
				// A docket corrects its tip once, and so repeats the tip's error.
				g.within("account", exact.MassG(), b.SolidsG+b.WaterG, 2*s.accounts)
			}
			sum := new(big.Rat)
			for _, exact := range got.Accounts {
				sum.Add(sum, exact.MassG())
			}
			if sum.Sign() != 0 {
				t.Fatalf("%s\nthe naive accounts sum to %s", g.what, sum)
			}
		}
	})
	t.Logf("%d of %d comparisons were bounded by 100 g; largest differences: %v", bounded, all, worst)
	if bounded*2 < all {
		t.Errorf("only %d of %d comparisons were bounded by 100 g", bounded, all)
	}
}
