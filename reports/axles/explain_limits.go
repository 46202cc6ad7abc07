package axles

import (
	"fmt"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/gauge"
)

// load explains what the truck weighed after a load, and the room for more.
func (x *exposition) load(l *Load) {
	w := &l.Weight
	x.Says = fmt.Sprintf("Truck %s after the load of %s. %s", l.Entry.Truck, x.clock(l.Entry.Occurred), w.stands())
	x.Gather(l.Entry.Positions...)
	x.weight(w)
	if !l.HasRoom {
		return
	}
	if l.Room.MassG < 0 {
		x.Says += fmt.Sprintf(" For the road %s must go; the %s governs.", excess(l.Room.MassG), l.Room.Governs)
	} else {
		x.Says += fmt.Sprintf(" At most %s more of the same fit; the %s governs.", wholeKg(l.Room.MassG), l.Room.Governs)
	}
	x.room(l)
}

// room reckons the largest further load by each limit.
func (x *exposition) room(l *Load) {
	w, b := &l.Weight, l.Weight.Beam
	limits := []string{}
	by := func(limit Limit, g *int64, sum string) {
		if g != nil {
			x.Reckon("room by the "+string(limit)+", whole kilograms down", "rounddown("+sum+")", wholeKg(*g))
			limits = append(limits, fmt.Sprint(kilogramsDown(*g)))
		}
	}
	base := num(b.wheelbaseMM())
	by(ByFront, l.Room.FrontG, fmt.Sprintf("((%s − %s) × %s − (%s)) ÷ (%s)", num(b.Front.PermittedG), num(b.Front.TareG), base, moments(w, b.Rear.FromFrontMM, -1), num(b.Rear.FromFrontMM-w.DebrisAtMM)))
	by(ByRear, l.Room.RearG, fmt.Sprintf("((%s − %s) × %s − (%s)) ÷ (%s)", num(b.Rear.PermittedG), num(b.Rear.TareG), base, moments(w, b.Front.FromFrontMM, 1), num(w.DebrisAtMM-b.Front.FromFrontMM)))
	by(ByGross, l.Room.GrossG, fmt.Sprintf("%s − %s", num(w.PermittedGrossG), num(w.GrossG)))
	by(ByVolume, l.Room.VolumeG, fmt.Sprintf("(%d − %s) × %d ÷ 1000", l.volume.capacityL, num(w.DebrisML), l.volume.densityKgPerM3))
	least := "min("
	for i, v := range limits {
		if i > 0 {
			least += ", "
		}
		least += v
	}
	x.Reckon("largest further load: the least of them; below zero it must go", least+")", wholeKg(l.Room.MassG))
	x.Follow(statics, "A further load P in the debris tank adds P × its distance before the rear ÷ wheelbase to the front, so what the front may still carry × wheelbase ÷ that distance fits; the rear likewise. By the volume: the litres left × the slurry's density.")
	if l.volume.assumed {
		x.Follow("this program's assumption", fmt.Sprintf("A material without a slurry density in the register counts as %d kg/m³.", l.volume.densityKgPerM3))
		return
	}
	x.Read(x.r.journal, events.MaterialRegister, string(l.volume.material), l.Entry.Occurred, fmt.Sprintf("typical slurry density %d kg/m³", l.volume.densityKgPerM3))
}

const usc = "23 U.S.C. 127(a)(2)"

// bridge explains the group of axles nearest to its limit under the bridge formula.
func (x *exposition) bridge(t *Trip) {
	w := &t.Weight
	if w.Why != "" {
		return
	}
	g := worst(Groups(w.Axles))
	x.Says = fmt.Sprintf("Truck %s, %s: axles %d to %d carried %s over %s m; the bridge formula allows %s: %s.", t.Truck, t.route(), g.First+1, g.Last+1,
		reports.Kilograms(g.MassG), reports.Decimal(g.SpanMM, 3, 2), wholePounds(g.LimitLB), left(g.MarginG()))
	x.Gather(t.Cites...)
	x.weight(w)
	x.axles(w)
	x.group(w, g)
}

// axles reckons what each axle of a support carries: its tare and an equal part of what
// is added, to the gram, with the grams that are left over on the first ones.
func (x *exposition) axles(w *Weight) {
	doc, _ := x.r.journal.Book.Truck(w.truck, w.At)
	l, _ := layoutOf(doc, x.r.groupMM)
	at := 0
	for k, support := range []Support{w.Beam.Front, w.Beam.Rear} {
		carriedG, n := []int64{w.FrontG, w.RearG}[k], int64(len(l.groups[k]))
		for _, a := range l.groups[k] {
			added, part := carriedG-support.TareG, w.Axles[at].MassG-a.TareKg*1000
			sum := fmt.Sprintf("%d + (%d)", a.TareKg*1000, added)
			if n > 1 {
				sum = fmt.Sprintf("%d + ((%d) − (%d)) ÷ %d + (%d)", a.TareKg*1000, added, added%n, n, part-added/n)
			}
			x.Reckon(fmt.Sprintf("axle %d, %s: its tare and an equal part of what was added to its support, in grams", at+1, a.Name), sum, reports.Decimal(w.Axles[at].MassG, 0, 0)+" g")
			at++
		}
	}
}

// group reckons a group of axles against its limit.
func (x *exposition) group(w *Weight, g Group) {
	sum := ""
	for i := g.First; i <= g.Last; i++ {
		if i > g.First {
			sum += " + "
		}
		sum += num(w.Axles[i].MassG)
	}
	x.Reckon("the group carries", sum, inKg(g.MassG))
	x.Reckon("span between its outer axles, in metres", fmt.Sprintf("%s − (%s)", num(w.Axles[g.Last].FromFrontMM), num(w.Axles[g.First].FromFrontMM)), num(g.SpanMM)+" m")
	n := g.Last - g.First + 1
	switch {
	case n == 1:
		x.Reckon("limit of a single axle", fmt.Sprint(SingleAxleLB), wholePounds(g.LimitLB))
	case isTandem(g.SpanMM):
		x.Reckon("limit of a group within 96 inches", fmt.Sprint(TandemLB), wholePounds(g.LimitLB))
	default:
		feet := feetOf(g.SpanMM)
		x.Reckon("span in feet, to the nearest", fmt.Sprintf("round(%d ÷ 304.8)", g.SpanMM), fmt.Sprint(feet)+" ft")
		x.Reckon("limit: 500 (LN/(N−1) + 12N + 36), to the nearest 500 lb with ties down, and not more than 80,000 lb",
			fmt.Sprintf("min(%d, 500 × roundup(%d × %d ÷ (%d − 1) + 12 × %d + 36 − 0.5))", GrossLB, feet, n, n, n), wholePounds(g.LimitLB))
	}
	x.Reckon("margin: the limit in kilograms less the group, whole kilograms down", fmt.Sprintf("rounddown(%d × 0.45359237 − %s)", g.LimitLB, num(g.MassG)), wholeKg(g.MarginG()))
	x.Follow(usc, "W = 500 (LN/(N−1) + 12N + 36) to the nearest 500 lb, L the feet between the outer axles of a group and N its axles; a single axle 20,000 lb, a group within 96 inches 34,000 lb, no group more than 80,000 lb.")
	x.Follow("RCW 46.44.041, cells of 9 to 32 feet and 3 to 7 axles", "A tie of the formula goes down.")
	x.Follow(advice, "Of all groups of neighbouring axles the line shows the one with the least margin. A pair that the register has as one axle counts as one.")
}

// truck explains what the register says of a truck.
func (x *exposition) truck(t *Truck) {
	x.Says = fmt.Sprintf("Truck %s as the register had it at its last entry of the period, %s.", t.ID, x.clock(t.At))
	if t.Why != "" {
		x.Says += " Its axles are not worked out: " + t.Why + "."
	}
	x.Read(x.r.journal, events.TruckRegister, string(t.ID), t.At, truckReads(&t.Doc))
	sum, axlesKg := "0", int64(0)
	for _, a := range t.Doc.Axles {
		sum += fmt.Sprintf(" + %d", a.TareKg)
		axlesKg += a.TareKg
	}
	x.Reckon("payload: permitted gross less tare", fmt.Sprintf("%d − %d", t.Doc.PermittedGrossKg, t.Doc.TareKg), reports.Decimal(t.Doc.PermittedGrossKg-t.Doc.TareKg, 0, 0)+" kg")
	x.Reckon("sum of the axles' tares", sum, reports.Decimal(axlesKg, 0, 0)+" kg")
	x.Follow(practice, "The tare is the truck ready for the road with both tanks empty; where the axles' tares do not sum to it, weigh the truck and put the register right.")
	c := gauge.HorizontalCylinder{DiameterMM: t.Doc.DebrisTankDiameterMM, LengthMM: t.Doc.DebrisTankLengthMM}
	if whole, err := c.VolumeML(c.DiameterMM); err == nil {
		x.Reckon("debris tank by its geometry: π ÷ 4 × diameter² × length", fmt.Sprintf("3.141592653589793 ÷ 4 × %s × %s × %s × 1000", num(c.DiameterMM), num(c.DiameterMM), num(c.LengthMM)),
			reports.Decimal(whole, 3, 0)+" L")
		x.Follow("elementary geometry: the segment of a circle times the length", "The debris tank is a lying cylinder with flat ends; 10 mm of level when half full are the volume between half the diameter and 10 mm more.")
	}
}
