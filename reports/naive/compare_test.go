package naive_test

import (
	"maps"
	"math/big"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/naive"
	"spoilbook/reports/tank"
)

// compareContents compares the debris tank parcel by parcel. A parcel that one
// side no longer has is nothing.
func compareContents(g judge, got, want naive.Tank, b bound) {
	held := merged(got.Parcels)
	parcels := map[events.Ref]float64{} // what was given back of a load is a parcel of its own
	for _, p := range want.Parcels {
		parcels[p.Entry]++
	}
	for ref, p := range merged(want.Parcels) {
		q := held[ref]
		if q == nil {
			q = &naive.Parcel{Amount: amount(0, 0), Job: p.Job, Material: p.Material}
		}
		if q.Job != p.Job || q.Material != p.Material {
			g.t.Fatalf("%s\nparcel %s is of %s, %s in production; want %s, %s", g.what, p.Entry, p.Job, p.Material, q.Job, q.Material)
		}
		g.within("solids held", q.SolidsG, p.SolidsG.Num().Int64(), b.parcel*parcels[ref])
		g.within("water held", q.WaterG, p.WaterG.Num().Int64(), b.parcel*parcels[ref])
		delete(held, ref)
	}
	for _, q := range held {
		g.within("solids held", q.SolidsG, 0, b.parcel)
		g.within("water held", q.WaterG, 0, b.parcel)
	}
}

// merged returns the parcels by the entry that first brought them, those of one entry
// together.
func merged(list []naive.Parcel) map[events.Ref]*naive.Parcel {
	by := map[events.Ref]*naive.Parcel{}
	for _, p := range list {
		q := by[p.Entry]
		if q == nil {
			by[p.Entry] = &p
			continue
		}
		q.SolidsG, q.WaterG = new(big.Rat).Add(q.SolidsG, p.SolidsG), new(big.Rat).Add(q.WaterG, p.WaterG)
	}
	return by
}

// compareOutcome compares what the last entry did.
func compareOutcome(g judge, j *reports.Journal, out naive.Outcome, a *tank.Account, b bound, fifo bool) {
	moved := func(what string, exact naive.Amount, solidsG, waterG int64) {
		g.within("solids "+what, exact.SolidsG, solidsG, b.total)
		g.within("water "+what, exact.WaterG, waterG, b.total)
	}
	switch body := out.Entry.Body.(type) {
	case events.LoadCollected:
		l := a.Loads[len(a.Loads)-1]
		moved("loaded", out.Moved, l.SolidsG, l.WaterG)
		g.within("mass loaded", out.Moved.MassG(), l.MassG(), 0.5)
		g.within("jetting water lost", out.LostML, l.LostML, b.total)
	case events.WaterDecanted:
		d := a.Decants[len(a.Decants)-1]
		moved("decanted", out.Moved, d.SolidsG, d.WaterG)
		moved("decanted and not held", out.Unheld, d.UnheldSolidsG, d.UnheldWaterG)
		// Whole millilitres of volumes and beds that are kept to a microlitre a parcel.
		g.within("free water", out.FreeML, d.FreeWaterML, 1+0.002*float64(len(out.Parts)))
		compareShares(g, j, out, d.Shares, b)
		largestRemainders(g, j, out, d.Shares)
		g.exact("shares and what was not held", sumOf(d.Shares)+d.UnheldSolidsG+d.UnheldWaterG, d.SolidsG+d.WaterG)
		if body.DensityGPerM3 == nil && body.SuspendedSolidsMGPerL == nil {
			g.exact("clear water decanted", d.WaterG, body.Volume.VolumeML)
		}
	case events.SpoilTipped:
		p := a.Tips[len(a.Tips)-1]
		if !positive(out.Unheld.MassG()) {
			moved("tipped", out.Moved, p.SolidsG, p.WaterG)
		}
		g.within("solids tipped and not held", out.Unheld.SolidsG, p.UnheldSolidsG, b.beyond)
		g.within("water tipped and not held", out.Unheld.WaterG, p.UnheldWaterG, b.beyond)
		compareShares(g, j, out, p.Shares, b)
		if !fifo {
			largestRemainders(g, j, out, p.Shares)
		}
		g.exact("shares and what was not held", sumOf(p.Shares)+p.UnheldSolidsG+p.UnheldWaterG, p.MassG())
		g.exact("the tip and its heel", p.MassG()-p.UnheldSolidsG-p.UnheldWaterG+p.Heel.MassG(), p.Before.MassG())
		if body.Mass != nil {
			g.exact("mass tipped", p.MassG(), body.Mass.MassG)
		}
		if body.PortionPPM != 0 {
			g.within("portion tipped", out.Moved.MassG(), p.MassG(), 0.5)
		}
	case events.SpoilRefused:
		p := a.Refusals[len(a.Refusals)-1]
		g.within("mass at the gate", out.Before.Held().MassG(), p.Held.MassG(), 0)
	case events.SpoilReturned:
		compareReturn(g, j, out, &a.Returns[len(a.Returns)-1], b)
	case events.TankGauged:
		p := a.Gauges[len(a.Gauges)-1]
		if p.Unusable {
			break
		}
		g.within("gauged account", out.AccountML, p.AccountML, b.total)
	}
}

// compareReturn compares what a facility gave back.
func compareReturn(g judge, j *reports.Journal, out naive.Outcome, r *tank.Return, b bound) {
	g.within("solids given back", out.Moved.SolidsG, r.SolidsG, b.beyond)
	g.within("water given back", out.Moved.WaterG, r.WaterG, b.beyond)
	g.within("solids given back and not tipped", out.Unheld.SolidsG, r.UntippedSolidsG, b.beyond)
	g.within("water given back and not tipped", out.Unheld.WaterG, r.UntippedWaterG, b.beyond)
	volume := naive.Tank{Parcels: out.Parts}.VolumeML()
	// Of what nobody knew of, the density is that of solids whose volume production keeps
	// to a microlitre, which matters where they were a few grams.
	unknown := 0.0002 * float(out.Unheld.SolidsG)
	for _, p := range out.Parts {
		if p.Entry == r.Entry.Body.(events.SpoilReturned).Tip {
			unknown += 0.002 * float(p.SolidsG)
		}
	}
	g.within("volume given back", volume, r.VolumeML, 1.51+2*b.beyond+unknown)
	if positive(out.Unheld.MassG()) {
		out.Parts = out.Parts[:len(out.Parts)-1] // nobody's, and in no share
	}
	compareShares(g, j, out, r.Shares, b)
	g.exact("shares and what was not tipped", sumOf(r.Shares)+r.UntippedSolidsG+r.UntippedWaterG, r.MassG())
}

func positive(r *big.Rat) bool { return r.Sign() > 0 }

func sumOf(shares []tank.Share) (massG int64) {
	for i := range shares {
		massG += shares[i].MassG()
	}
	return massG
}

// compareShares compares what came from each parcel and from each job.
func compareShares(g judge, j *reports.Journal, out naive.Outcome, shares []tank.Share, b bound) {
	byEntry, byJob := map[events.Ref]tank.Share{}, map[events.JobID]int64{}
	for _, s := range shares {
		ref := j.Recorded(s.Position).Ref()
		sum := byEntry[ref]
		byEntry[ref] = tank.Share{SolidsG: sum.SolidsG + s.SolidsG, WaterG: sum.WaterG + s.WaterG, VolumeML: sum.VolumeML + s.VolumeML}
		byJob[s.Job] += s.MassG()
	}
	exactByJob, parcels, of := map[events.JobID]*big.Rat{}, map[events.JobID]float64{}, map[events.Ref]float64{}
	for _, p := range out.Parts {
		of[p.Entry]++
		if exactByJob[p.Job] == nil {
			exactByJob[p.Job] = new(big.Rat)
		}
		exactByJob[p.Job].Add(exactByJob[p.Job], p.MassG())
		parcels[p.Job]++
	}
	for ref, p := range merged(out.Parts) {
		s := byEntry[ref]
		delete(byEntry, ref)
		g.within("solids of a share", p.SolidsG, s.SolidsG, b.parcel*of[ref])
		g.within("water of a share", p.WaterG, s.WaterG, b.parcel*of[ref])
		// To a millilitre by largest remainder, of a whole that is rounded itself.
		within := (1.51 + 2*b.parcel) * of[ref]
		if p.Material == "" { // nobody's: of a density that a few grams can have given
			within += 0.002 * float(p.SolidsG)
		}
		g.within("volume of a share", p.VolumeML(), s.VolumeML, within)
	}
	if len(byEntry) != 0 {
		g.t.Fatalf("%s\nproduction has shares of %v, which the tank did not hold", g.what, slices.Collect(maps.Keys(byEntry)))
	}
	for job, exact := range exactByJob {
		g.within("share of a job", exact, byJob[job], 2*b.parcel*parcels[job])
	}
}

// largestRemainders checks that what was taken of each phase was divided among the
// parcels by largest remainder: no parcel is rounded up whose remainder is less than
// that of one rounded down, so that no two are further apart than a gram from their
// exact shares of the whole that was taken.
func largestRemainders(g judge, j *reports.Journal, out naive.Outcome, shares []tank.Share) {
	byEntry, parcels := map[events.Ref]naive.Amount{}, map[events.Ref]int{}
	for _, p := range out.Before.Parcels {
		parcels[p.Entry]++
	}
	taken, held := amount(0, 0), out.Before.Held()
	for _, s := range shares {
		byEntry[j.Recorded(s.Position).Ref()] = amount(s.SolidsG, s.WaterG)
		taken.SolidsG.Add(taken.SolidsG, big.NewRat(s.SolidsG, 1))
		taken.WaterG.Add(taken.WaterG, big.NewRat(s.WaterG, 1))
	}
	check := func(phase string, of func(naive.Amount) *big.Rat) {
		if !positive(of(held)) {
			return
		}
		var least, most *big.Rat
		for _, p := range out.Before.Parcels {
			if parcels[p.Entry] > 1 { // a share does not say which of them it is of
				continue
			}
			off := new(big.Rat).Mul(of(p.Amount), new(big.Rat).Quo(of(taken), of(held)))
			if s, ok := byEntry[p.Entry]; ok {
				off.Sub(of(s), off)
			} else {
				off.Neg(off)
			}
			if least == nil || off.Cmp(least) < 0 {
				least = off
			}
			if most == nil || off.Cmp(most) > 0 {
				most = off
			}
		}
		if most != nil && most.Sub(most, least).Cmp(big.NewRat(1, 1)) > 0 {
			g.t.Fatalf("%s\nthe %s taken is not divided by largest remainder: two shares are %s g apart", g.what, phase, most.FloatString(3))
		}
	}
	check("solids", func(a naive.Amount) *big.Rat { return a.SolidsG })
	check("water", func(a naive.Amount) *big.Rat { return a.WaterG })
}

// compareMovements compares what the entry moved into and out of each account.
func compareMovements(g judge, got naive.Tank, before, after *tank.Account, b bound) {
	names := map[string]bool{}
	for _, a := range after.Balances() {
		names[string(a.Account)] = true
	}
	for name := range got.Accounts {
		names[name] = true
	}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		exact, ok := got.Accounts[name]
		if !ok {
			exact = amount(0, 0)
		}
		was, is := before.Balance(tank.AccountName(name)), after.Balance(tank.AccountName(name))
		g.within("solids to "+name, exact.SolidsG, is.SolidsG-was.SolidsG, b.beyond)
		g.within("water to "+name, exact.WaterG, is.WaterG-was.WaterG, b.beyond)
	}
}

// compareDocket checks what the last docket moved: to the facility what it shows
// more than the account, from it what it shows less, and nothing when it does not
// count. The first docket of a tip counts, when it is the tip's facility's.
func compareDocket(g judge, before, after *tank.Account) {
	d := after.Dockets[len(after.Dockets)-1]
	body := d.Entry.Body.(events.DocketReceived)
	var tipped *tank.Tip
	for i := range after.Tips {
		if tip := &after.Tips[i]; tip.Entry.Ref() == body.Tip && tip.Facility == body.Facility {
			tipped = tip
		}
	}
	counts := tipped != nil
	for _, earlier := range after.Dockets[:len(after.Dockets)-1] {
		b := earlier.Entry.Body.(events.DocketReceived)
		counts = counts && (b.Tip != body.Tip || b.Facility != body.Facility)
	}
	if d.Counts != counts {
		g.t.Fatalf("%s\nthe docket counts: %v; want %v", g.what, d.Counts, counts)
	}
	var more int64
	if counts {
		var before, ever int64 // given back when it weighed, and ever
		for i := range after.Returns {
			r := &after.Returns[i]
			b := r.Entry.Body.(events.SpoilReturned)
			if b.Tip != body.Tip || b.Facility != body.Facility || r.Entry.Occurred.Before(tipped.Entry.Occurred) {
				continue
			}
			ever += sumOf(r.Shares)
			if b.End.UnixMS <= body.WeighedAt.UnixMS {
				before += sumOf(r.Shares)
			}
		}
		more = body.NetG - (tipped.MassG() - before)
		g.exact("difference of a docket", d.DifferenceG, more)
		mass, basis := tipped.SettledMassG()
		g.exact("settled mass", mass, max(0, body.NetG-(ever-before)))
		if basis != events.Measured {
			g.t.Fatalf("%s\nthe settled mass is %s", g.what, basis)
		}
	}
	moved := func(name tank.AccountName) int64 {
		is, was := after.Balance(name), before.Balance(name)
		return is.SolidsG + is.WaterG - was.SolidsG - was.WaterG
	}
	g.exact("to the facility", moved(tank.FacilityAccount(body.Facility)), more)
	g.exact("to unaccounted", moved(tank.Unaccounted), -more)
}

// compareWhole checks what needs no tolerance: later entries change no earlier
// figure, every account balances, and the ledger with its mistakes and
// corrections gives what the truth gives.
func compareWhole(g judge, whole, truth *tank.Account) {
	var solids, water int64
	for _, b := range whole.Balances() {
		solids, water = solids+b.SolidsG, water+b.WaterG
		if t := truth.Balance(b.Account); t != b {
			g.t.Fatalf("%s: %+v; from the truth %+v", g.what, b, t)
		}
	}
	g.exact("solids of all accounts", solids, 0)
	g.exact("water of all accounts", water, 0)
	g.exact("solids in the debris tank", whole.Balance(tank.DebrisTank).SolidsG, whole.Debris.SolidsG())
	g.exact("water in the debris tank", whole.Balance(tank.DebrisTank).WaterG, whole.Debris.WaterG())
	g.exact("fresh water", whole.Balance(tank.FreshTank).WaterG, whole.FreshML)
	for i := range whole.Refusals {
		next := -1
		for k := len(whole.Tips) - 1; k >= 0 && whole.Refusals[i].Entry.Occurred.Before(whole.Tips[k].Entry.Occurred); k-- {
			next = k
		}
		if r := &whole.Refusals[i]; r.NextTip != next && !tiedWithATip(r, whole) {
			g.t.Fatalf("%s: the load refused at %s went to tip %d; want %d", g.what, r.Entry.Occurred, r.NextTip, next)
		}
	}
	for i := range whole.Loads {
		g.exact("mass after load", whole.Loads[i].After.MassG(), truth.Loads[i].After.MassG())
	}
	for i := range whole.Tips {
		g.exact("mass tipped", whole.Tips[i].MassG(), truth.Tips[i].MassG())
	}
}

// tiedWithATip reports whether a tip has the time of a refusal, when their numbers and
// not their times say which came first.
func tiedWithATip(r *tank.Refusal, a *tank.Account) bool {
	return slices.ContainsFunc(a.Tips, func(t tank.Tip) bool { return t.Entry.Occurred.UnixMS == r.Entry.Occurred.UnixMS })
}
