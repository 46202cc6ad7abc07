package manifest

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// change is what an entry took of a parcel, negative for what came back.
type change struct {
	entry   *reports.Entry
	what    string
	solidsG int64
	waterG  int64
	decant  *tank.Decant // nil for other entries
}

// changes returns what was taken of each of some parcels before a tip, in the order in
// which it occurred.
func (a *account) changes(tip *tank.Tip) map[uint64][]change {
	of := map[uint64][]change{}
	for i := range tip.Shares {
		of[tip.Shares[i].Position] = nil
	}
	add := func(e *reports.Entry, what string, sign int64, shares []tank.Share, d *tank.Decant) {
		if !earlier(e, tip.Entry) {
			return
		}
		for i := range shares {
			s := &shares[i]
			if list, wanted := of[s.Position]; wanted {
				of[s.Position] = append(list, change{e, what, sign * s.SolidsG, sign * s.WaterG, d})
			}
		}
	}
	for i := range a.Decants {
		add(a.Decants[i].Entry, "decant", 1, a.Decants[i].Shares, &a.Decants[i])
	}
	for i := range a.Tips {
		add(a.Tips[i].Entry, "tip", 1, a.Tips[i].Shares, nil)
	}
	for i := range a.Gauges {
		add(a.Gauges[i].Entry, "gauge", 1, a.Gauges[i].Shares, nil)
	}
	for i := range a.Returns {
		add(a.Returns[i].Entry, "return", -1, a.Returns[i].Shares, nil)
	}
	for _, list := range of {
		slices.SortStableFunc(list, func(x, y change) int { return order(x.entry, y.entry) })
	}
	return of
}

// order is that of the journal.
func order(x, y *reports.Entry) int {
	return cmp.Or(cmp.Compare(x.Occurred.UnixMS, y.Occurred.UnixMS), cmp.Compare(x.Source, y.Source), cmp.Compare(x.Seq, y.Seq), cmp.Compare(x.ID, y.ID))
}

func earlier(x, y *reports.Entry) bool { return order(x, y) < 0 }

// history explains, for each parcel that may be shown and that the tip took of, what
// brought it and what left it before.
func (x *exposition) history() {
	a, t := x.c.of, x.c.tip
	changes := a.changes(t)
	told := map[uint64]bool{}
	for i := range t.Shares {
		s := &t.Shares[i]
		if told[s.Position] || !x.shown(s.Job) {
			continue
		}
		told[s.Position] = true
		name, brought := x.brought(s)
		left := brought
		for _, c := range changes[s.Position] {
			x.taken(name, c, left)
			left.SolidsG -= c.solidsG
			left.WaterG -= c.waterG
		}
		if len(changes[s.Position]) > 0 {
			x.leftOf(name, brought, left, changes[s.Position])
		}
	}
	x.Follow("common practice", "Slurry has no air. A decant takes water from all that is in the tank in proportion to the water of each, in whole grams by largest remainder.")
}

// brought explains what an entry brought into the tank and returns its name and phases.
func (x *exposition) brought(s *tank.Share) (string, tank.Phases) {
	a := x.c.of
	if l := a.load(s.Position); l != nil {
		return x.load(l), tank.Phases{SolidsG: l.SolidsG, WaterG: l.WaterG}
	}
	// Water of a wash-out or that a gauge showed, or what a facility gave back beyond the tip.
	p, at, cites := tank.Phases{}, events.Time{}, []uint64{}
	for i := range a.Movements {
		m := &a.Movements[i]
		if m.To == tank.DebrisTank && m.Positions[0] == s.Position && m.Note != "returned" {
			p.SolidsG += m.SolidsG
			p.WaterG += m.WaterG
			at, cites = m.At, m.Positions
		}
	}
	name := "what came into the tank at " + x.clock(at)
	x.step(name+": solids", num(p.SolidsG), inKg(p.SolidsG), cites)
	x.step(name+": water", num(p.WaterG), inKg(p.WaterG), cites)
	return name, p
}

// taken explains a decant's part of a parcel; the parts of other entries are explained
// with their own consignments.
func (x *exposition) taken(name string, c change, before tank.Phases) {
	if c.decant == nil {
		return
	}
	d := c.decant
	what := fmt.Sprintf("the decant of %s", x.clock(d.Entry.Occurred))
	x.decanted(what, d)
	after := tank.Phases{SolidsG: d.After.SolidsG, WaterG: d.After.WaterG}
	outSolids, outWater := d.SolidsG-d.UnheldSolidsG, d.WaterG-d.UnheldWaterG
	if c.solidsG > 0 {
		x.shareOf(what+" took of "+name+", solids: all × those of the load ÷ those in the tank", outSolids, before.SolidsG, after.SolidsG+outSolids, c.solidsG, d.Entry.Positions)
	}
	x.shareOf(what+" took of "+name+", water: all × that of the load ÷ that in the tank", outWater, before.WaterG, after.WaterG+outWater, c.waterG, d.Entry.Positions)
}

// decanted explains what a decant let out, once.
func (x *exposition) decanted(what string, d *tank.Decant) {
	body, _ := d.Entry.Body.(events.WaterDecanted)
	name := what + ", solids let out"
	if slices.ContainsFunc(x.Steps, func(s reports.Step) bool { return s.What == name || s.What == what+", water let out" }) {
		return
	}
	v, cites := num(d.VolumeML), d.Entry.Positions
	like, likeL := num(d.LikeSolidsG), plain(d.LikeSolidsUL, 6)
	switch {
	case d.SolidsG == 0:
		x.step(what+", water let out", v, inKg(d.WaterG), cites)
		return
	case body.SuspendedSolidsMGPerL != nil:
		x.step(name, fmt.Sprintf("%s × %d ÷ 1000000", v, *body.SuspendedSolidsMGPerL), inKg(d.SolidsG), cites)
	case body.DensityGPerM3 != nil:
		x.step(name+": (volume × density − volume) × mass ÷ (mass − volume) of solids like the tank's",
			fmt.Sprintf("(round(%s × %s) ÷ 1000 − %s) × %s ÷ (%s − %s)", v, plain(*body.DensityGPerM3, 3), v, like, like, likeL), inKg(d.SolidsG), cites)
	}
	x.step(what+", water let out: the volume less that of the solids",
		fmt.Sprintf("max(0, %s − round(round(%s × %s × 1000000 ÷ %s) ÷ 1000) ÷ 1000)", v, num(d.SolidsG), likeL, like), inKg(d.WaterG), cites)
	x.Follow("HEC-RAS Non-Newtonian reference manual, mixture density", "A turbid decant takes solids by its density or its suspended solids.")
}

// shareOf explains a share by largest remainder: whole grams rounded down, and those
// that the remainders gave.
func (x *exposition) shareOf(what string, total, weight, sum, got int64, cites []uint64) {
	if sum == 0 || weight == sum {
		x.step(what, num(total), inKg(got), cites)
		return
	}
	q := new(big.Int).Mul(big.NewInt(total), big.NewInt(weight))
	down := q.Div(q, big.NewInt(sum)).Int64()
	x.step(what, fmt.Sprintf("rounddown(%s × %s ÷ %s × 1000) ÷ 1000%s", num(total), num(weight), num(sum), remainder(got-down)), inKg(got), cites)
}

func remainder(g int64) string {
	switch {
	case g > 0:
		return " + " + num(g)
	case g < 0:
		return " − " + num(-g)
	}
	return ""
}

// leftOf explains what of a parcel was in the tank when the tip began.
func (x *exposition) leftOf(name string, brought, left tank.Phases, list []change) {
	solids, water := num(brought.SolidsG), num(brought.WaterG)
	cites := []uint64{}
	for _, c := range list {
		solids += remainder(-c.solidsG)
		water += remainder(-c.waterG)
		cites = append(cites, c.entry.Positions...)
	}
	names := []string{}
	for _, c := range list {
		if n := c.what + " of " + x.clock(c.entry.Occurred); !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	what := fmt.Sprintf("left of %s after %s", name, join(names))
	x.step(what+": solids", solids, inKg(left.SolidsG), cites)
	x.step(what+": water", water, inKg(left.WaterG), cites)
}

func join(names []string) string {
	text := ""
	for i, n := range names {
		if i > 0 {
			text += ", "
		}
		text += n
	}
	return text
}

// shares explains what the tip took of each parcel.
func (x *exposition) shares() {
	t := x.c.tip
	heldG := t.MassG() - t.UnheldSolidsG - t.UnheldWaterG
	switch {
	case len(t.Shares) == 0:
		return
	case heldG == t.Before.MassG():
		x.Follow("common practice", "The tip took all that the tank held.")
		return
	case x.r.options.Tank.FirstInFirstOut:
		x.oldest()
		return
	}
	solidsG, waterG := t.SolidsG-t.UnheldSolidsG, t.WaterG-t.UnheldWaterG
	rounded := reports.MulDiv(t.Before.SolidsG, heldG, t.Before.MassG())
	x.step("solids of what was tipped: the tank is well mixed", fmt.Sprintf("round(%s × %s ÷ %s × 1000) ÷ 1000%s", num(heldG), num(t.Before.SolidsG), num(t.Before.MassG()), remainder(solidsG-rounded)),
		inKg(solidsG), t.Entry.Positions)
	x.step("water of what was tipped", fmt.Sprintf("%s − %s", num(heldG), num(solidsG)), inKg(waterG), t.Entry.Positions)
	x.Follow("common practice", "A part of a tank is well mixed: it takes of every load by mass, in whole grams by largest remainder.")
	for i := range t.Shares {
		s := &t.Shares[i]
		if !x.shown(s.Job) {
			continue
		}
		before := x.before(i)
		name := "of " + x.name(s.Position) + ", tipped"
		x.shareOf(name+" solids: all × those of the load ÷ those in the tank", solidsG, before.SolidsG, t.Before.SolidsG, s.SolidsG, s.Cites)
		x.shareOf(name+" water: all × that of the load ÷ that in the tank", waterG, before.WaterG, t.Before.WaterG, s.WaterG, s.Cites)
	}
}

// before returns what a share's parcel held when the tip began: the share and what
// stayed. Of parcels of one entry the heel has those that were not emptied, in order.
func (x *exposition) before(share int) tank.Phases {
	t := x.c.tip
	s := &t.Shares[share]
	p := tank.Phases{SolidsG: s.SolidsG, WaterG: s.WaterG}
	nth := 0
	for i := range share {
		if t.Shares[i].Position == s.Position {
			nth++
		}
	}
	for i := range t.Heel {
		if h := &t.Heel[i]; h.Position == s.Position {
			if nth == 0 {
				p.SolidsG += h.SolidsG
				p.WaterG += h.WaterG
				break
			}
			nth--
		}
	}
	return p
}

// oldest explains a tip that takes the oldest loads first.
func (x *exposition) oldest() {
	t := x.c.tip
	x.Follow("an option that was chosen", "First in, first out: a tip takes the oldest loads whole, and of the last a well-mixed part.")
	body, _ := t.Entry.Body.(events.SpoilTipped)
	takenUL := int64(0)
	for i := range t.Shares {
		s := &t.Shares[i]
		earlierUL := takenUL
		takenUL += volumeUL(s.SolidsG, s.WaterG, s)
		if !x.shown(s.Job) {
			continue
		}
		before := x.before(i)
		name := "of " + x.name(s.Position) + ", tipped"
		if before.MassG() == s.MassG() {
			x.step(name+" whole", fmt.Sprintf("%s + %s", num(s.SolidsG), num(s.WaterG)), inKg(s.MassG()), s.Cites)
			continue
		}
		if body.Volume != nil {
			x.step(name+": its mass × the volume still to be tipped ÷ its volume", fmt.Sprintf("%s × (%s − %s) ÷ %s", num(before.MassG()), num(body.Volume.VolumeML), plain(earlierUL, 6),
				plain(volumeUL(before.SolidsG, before.WaterG, s), 6)), inKg(s.MassG()), s.Cites)
		}
		rounded := reports.MulDiv(before.SolidsG, s.MassG(), before.MassG())
		x.step(name+" solids: mass taken × solids ÷ mass of the load", fmt.Sprintf("round(%s × %s ÷ %s × 1000) ÷ 1000%s", num(s.MassG()), num(before.SolidsG), num(before.MassG()),
			remainder(s.SolidsG-rounded)), inKg(s.SolidsG), s.Cites)
		x.step(name+" water", fmt.Sprintf("%s − %s", num(s.MassG()), num(s.SolidsG)), inKg(s.WaterG), s.Cites)
	}
}

// volumeUL returns the volume in microlitres of solids and water like a share's.
func volumeUL(solidsG, waterG int64, like *tank.Share) int64 {
	if solidsG == 0 {
		return waterG * 1000
	}
	return waterG*1000 + reports.MulDiv(solidsG, 1_000_000, like.ParticleDensityKgPerM3)
}

// name names what a position brought.
func (x *exposition) name(position uint64) string {
	if l := x.c.of.load(position); l != nil {
		return fmt.Sprintf("the load of %s", x.clock(l.Entry.Occurred))
	}
	return fmt.Sprintf("what came at position %d", position)
}
