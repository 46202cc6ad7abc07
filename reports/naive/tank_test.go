package naive_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/naive"
	"spoilbook/reports/tank"
)

// prefix returns the journal of the first n of the entries that truly happened.
func (d day) prefix(ordered []events.Event, n int) *reports.Journal {
	var recs []events.Recorded
	for i, r := range d.truth.Revisions {
		recs = append(recs, events.Recorded{Event: events.Event{ID: fmt.Sprint("R", i), Body: r}, Position: uint64(i + 1)})
	}
	for _, e := range ordered[:n] {
		recs = append(recs, events.Recorded{Event: e, Position: uint64(len(recs) + 1)})
	}
	return reports.Resolve(recs, uint64(len(recs)))
}

// exactly returns what production says that the tanks hold, as the naive fold
// keeps it.
func exactly(a *tank.Account, j *reports.Journal) naive.Tank {
	t := naive.Tank{FreshML: big.NewRat(a.FreshML, 1), Accounts: map[string]naive.Amount{}}
	for _, p := range a.Debris {
		t.Parcels = append(t.Parcels, naive.Parcel{Amount: amount(p.SolidsG, p.WaterG), Entry: j.Recorded(p.Position).Ref(), Job: p.Job, Material: p.Material,
			// Water alone has no particles.
			Particle: big.NewRat(max(p.ParticleDensityKgPerM3, 1), 1000), Bed: big.NewRat(p.BedVoidRatioPermille, 1000)})
	}
	for i := range a.Tips {
		t.Delivered = append(t.Delivered, delivered(a, &a.Tips[i], j))
	}
	return t
}

// delivered returns what of a tip is still at its facility by production's shares.
func delivered(a *tank.Account, tip *tank.Tip, j *reports.Journal) naive.Delivery {
	d := naive.Delivery{Tip: tip.Entry.Ref(), Facility: tip.Facility, Tipped: amount(tip.SolidsG, tip.WaterG), VolumeML: big.NewRat(tip.VolumeML, 1)}
	add := func(s *tank.Share, sign int64) {
		ref := j.Recorded(s.Position).Ref()
		for i := range d.Parts {
			if p := &d.Parts[i]; p.Entry == ref {
				p.SolidsG, p.WaterG = new(big.Rat).Add(p.SolidsG, big.NewRat(sign*s.SolidsG, 1)), new(big.Rat).Add(p.WaterG, big.NewRat(sign*s.WaterG, 1))
				return
			}
		}
		d.Parts = append(d.Parts, naive.Parcel{Amount: amount(sign*s.SolidsG, sign*s.WaterG), Entry: ref, Job: s.Job, Material: s.Material,
			Particle: big.NewRat(max(s.ParticleDensityKgPerM3, 1), 1000), Bed: big.NewRat(1, 1)})
	}
	for k := range tip.Shares {
		add(&tip.Shares[k], 1)
	}
	d.Like = slices.Clone(d.Parts)
	if tip.UnheldSolidsG+tip.UnheldWaterG > 0 {
		add(&tank.Share{Position: tip.Entry.Positions[0], SolidsG: tip.UnheldSolidsG, WaterG: tip.UnheldWaterG, ParticleDensityKgPerM3: likeness(tip)}, 1)
	}
	for _, r := range tip.Returns {
		for k := range a.Returns[r].Shares {
			add(&a.Returns[r].Shares[k], -1)
		}
	}
	return d
}

// likeness returns the density, to a whole kg/m3, of the solids that a tip took from
// the tank.
func likeness(tip *tank.Tip) int64 {
	solids, volume := 0.0, 0.0
	for _, s := range tip.Shares {
		solids, volume = solids+float64(s.SolidsG), volume+float64(s.SolidsG)/float64(max(1, s.ParticleDensityKgPerM3))
	}
	if solids == 0 {
		return 2650
	}
	return int64(math.Round(solids / volume))
}

func amount(solidsG, waterG int64) naive.Amount {
	return naive.Amount{SolidsG: big.NewRat(solidsG, 1), WaterG: big.NewRat(waterG, 1)}
}

// contradicting returns the gauges that the account follows: those that differ by
// more than the tolerance, and the first of the fresh tank when it shows more,
// which is what the truck came with.
func contradicting(t *rapid.T, a *tank.Account) map[events.Ref]bool {
	refs := map[events.Ref]bool{}
	for _, g := range a.Gauges {
		if g.Unusable {
			continue
		}
		off := max(g.DifferenceML, -g.DifferenceML)
		if want := off > g.ToleranceML || g.Opening && g.DifferenceML > 0; g.Adjusted != want || g.DifferenceML != g.MeasuredML-g.AccountML {
			t.Fatalf("gauge %+v: adjusted should be %v", g, want)
		}
		refs[g.Entry.Ref()] = g.Adjusted
	}
	return refs
}

// off returns how far an exact figure is from one in whole grams.
func off(exact *big.Rat, grams int64) float64 {
	d, _ := new(big.Rat).Sub(exact, big.NewRat(grams, 1)).Float64()
	return max(d, -d)
}

func float(r *big.Rat) float64 {
	f, _ := r.Float64()
	return f
}

// judge compares figures and says all about the entry when one is too far off.
type judge struct {
	t     *rapid.T
	what  string
	worst map[string]float64
}

func (g judge) within(what string, exact *big.Rat, grams int64, most float64) {
	d := off(exact, grams)
	g.worst[what] = max(g.worst[what], d)
	if d > most {
		g.t.Fatalf("%s\n%s: naive %s, production %d; at most %.3f apart", g.what, what, exact.FloatString(3), grams, most)
	}
}

func (g judge) exact(what string, got, want int64) {
	if got != want {
		g.t.Fatalf("%s\n%s: %d in production; want %d", g.what, what, got, want)
	}
}

func describe(e events.Event, before naive.Tank) string {
	body, err := json.Marshal(e.Body)
	s := fmt.Sprintf("%s %s %s (%v)\nfresh %s", e.ID, e.Kind(), body, err, before.FreshML.FloatString(0))
	for _, p := range before.Parcels {
		s += fmt.Sprintf(" | %s %s %s: %s g solids, %s g water", p.Entry.ID, p.Job, p.Material, p.SolidsG.FloatString(2), p.WaterG.FloatString(2))
	}
	return s
}

// One entry at a time, from the contents that production had before it: each
// figure is its exact value but for the rounding of that one entry.
func TestTankStep(t *testing.T) {
	worst := map[string]float64{}
	eachDay(t, func(t *rapid.T, d day) {
		fifo := rapid.Bool().Draw(t, "first in, first out")
		ordered := d.truth.Ordered()
		whole := tank.Fold(d.journal(), truck, tank.Options{FirstInFirstOut: fifo})
		follow := contradicting(t, whole)
		j := d.prefix(ordered, 0)
		before := tank.Fold(j, truck, tank.Options{FirstInFirstOut: fifo})
		for n, e := range ordered {
			next := d.prefix(ordered, n+1)
			after := tank.Fold(next, truck, tank.Options{FirstInFirstOut: fifo})
			from := exactly(before, j)
			got, out := d.truth.Step(from, e, naive.Options{FirstInFirstOut: fifo, Contradicts: follow})
			g := judge{t: t, what: describe(e, from), worst: worst}
			step := stepBound(out, after)
			compareContents(g, got, exactly(after, next), step)
			g.exact("fresh tank", after.FreshML, got.FreshML.Num().Int64())
			compareOutcome(g, next, out, after, step, fifo)
			if _, docket := e.Body.(events.DocketReceived); docket {
				compareDocket(g, before, after)
			} else {
				compareMovements(g, got, before, after, step)
			}
			before, j = after, next
		}
		compareWhole(judge{t: t, what: "the whole history", worst: worst}, whole, before)
	})
	t.Logf("largest differences: %v", worst)
}

// bound is how far production's whole grams may be from the exact figures of one
// entry: of what moved in total where the tank held it, of what one parcel gave
// or got, and of what moved in total with what nobody held. That is of the same
// mixture as what was held, so a gram of it matters the more the less was held.
type bound struct{ total, parcel, beyond float64 }

func stepBound(out naive.Outcome, a *tank.Account) bound {
	b := roundings(out, a)
	b.beyond = b.total
	if body, is := out.Entry.Body.(events.SpoilReturned); is {
		for _, d := range out.Before.Delivered {
			if d.Tip == body.Tip && positive(d.Tipped.MassG()) {
				b.beyond += 3 * float(out.Unheld.MassG()) / float(d.Tipped.MassG())
			}
		}
		return b
	}
	if b.total > 0 {
		b.beyond += 3 * float(out.Unheld.MassG()) / max(1, float(out.Before.Held().MassG()))
	}
	return b
}

// roundings derives the bound of what was held. Half a gram in a mass or half a millilitre in a
// volume becomes rho/(rho-1) halves of solids where the phases are solved from
// both, and is rounded to a gram once more; a division by largest remainder adds
// less than a gram for each parcel.
func roundings(out naive.Outcome, a *tank.Account) bound {
	solved := func(density int64) float64 { return 0.5 + 0.5*float64(density)/float64(density-1000) }
	switch b := out.Entry.Body.(type) {
	case events.LoadCollected:
		switch l := a.Loads[len(a.Loads)-1]; l.Method {
		case tank.ByVolumeAndMass:
			return bound{total: 0.5, parcel: 0.5} // nothing is rounded before the phases
		case tank.ByBankSoil:
			return bound{total: 1, parcel: 1} // the mass, then its solids
		default:
			return bound{total: solved(lightest(b.Material)), parcel: solved(lightest(b.Material))}
		}
	case events.WaterDecanted:
		if b.SuspendedSolidsMGPerL == nil && b.DensityGPerM3 == nil {
			return bound{total: 0, parcel: 1}
		}
		// Of solids whose volume production keeps to a microlitre a parcel.
		grain := 3 * float(out.Moved.SolidsG) * 0.0005 * float64(len(out.Parts)) / max(0.001, float(out.Before.SolidsML()))
		if b.SuspendedSolidsMGPerL != nil {
			return bound{total: 1 + grain, parcel: 2 + grain} // the solids to half a gram, their volume to half a millilitre
		}
		return bound{total: solved(lightest("M-PEAT")) + grain, parcel: 1 + solved(lightest("M-PEAT")) + grain}
	case events.SpoilTipped:
		if b.Whole {
			return bound{total: 0, parcel: 0}
		}
		return bound{total: 1, parcel: 2} // the mass, then its solids
	case events.SpoilReturned:
		return bound{total: 1, parcel: 2} // the mass, then its solids
	case events.TankGauged:
		return bound{total: 1, parcel: 2} // the volume that the account held
	}
	return bound{}
}

// lightest is the least particle density, in kg/m3, that a material has on any day.
func lightest(m events.MaterialID) int64 {
	if m == "M-PEAT" {
		return 1530
	}
	return 2650
}
