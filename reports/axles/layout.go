package axles

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
)

// layout is a truck's axles as two supports.
type layout struct {
	beam   Beam
	groups [][]events.Axle // front and rear, each from the front
}

// layoutOf groups a truck's axles: neighbours no further apart than groupMM share one
// support, with equal parts of the load. It returns why the axles can not be worked
// out: three supports or more share a load by their springs, which the register does
// not know.
func layoutOf(t events.Truck, groupMM int64) (l layout, why string) {
	list := slices.Clone(t.Axles)
	slices.SortStableFunc(list, func(a, b events.Axle) int { return cmp.Compare(a.FromFrontMM, b.FromFrontMM) })
	for i, a := range list {
		if n := len(l.groups); i > 0 && a.FromFrontMM-list[i-1].FromFrontMM <= groupMM {
			l.groups[n-1] = append(l.groups[n-1], a)
			continue
		}
		l.groups = append(l.groups, []events.Axle{a})
	}
	switch {
	case len(list) == 0:
		return l, "the register has no axles"
	case len(l.groups) != 2:
		return l, fmt.Sprintf("%s, and statics decide between two", reports.Counted(len(l.groups), "axle group"))
	case t.DebrisTankFromFrontMM == 0:
		return l, "the register does not say where the debris tank lies"
	case t.FreshCapacityL > 0 && t.FreshTankFromFrontMM == 0:
		return l, "the register does not say where the fresh tank lies"
	}
	l.beam = Beam{supportOf(l.groups[0]), supportOf(l.groups[1])}
	return l, ""
}

// supportOf puts axles into one support at their middle.
func supportOf(axles []events.Axle) Support {
	s, names := Support{}, []string{}
	for _, a := range axles {
		s.FromFrontMM += a.FromFrontMM
		s.TareG += a.TareKg * 1000
		s.PermittedG += a.PermittedKg * 1000
		names = append(names, a.Name)
	}
	s.FromFrontMM = reports.MulDiv(s.FromFrontMM, 1, int64(len(axles)))
	s.Name = strings.Join(names, " and ")
	return s
}

// masses returns what each axle carries when the supports carry frontG and rearG.
func (l *layout) masses(frontG, rearG int64) []AxleMass {
	out := []AxleMass{}
	for k, added := range []int64{frontG - l.beam.Front.TareG, rearG - l.beam.Rear.TareG} {
		equal := make([]int64, len(l.groups[k]))
		for i := range equal {
			equal[i] = 1
		}
		shares, _ := reports.Apportion(added, equal)
		for i, a := range l.groups[k] {
			out = append(out, AxleMass{a.FromFrontMM, a.TareKg*1000 + shares[i]})
		}
	}
	return out
}

// weigh returns what a truck weighs with its tanks as they are.
func weigh(t events.Truck, known bool, held contents, groupMM int64) Weight {
	w := Weight{DebrisG: held.debrisG, FreshG: held.freshG, DebrisML: held.debrisML, Known: known, Cites: held.cites}
	if !known {
		w.Why = "the register does not have the truck at that time"
		return w
	}
	w.GrossG, w.PermittedGrossG = t.TareKg*1000+held.debrisG+held.freshG, t.PermittedGrossKg*1000
	l, why := layoutOf(t, groupMM)
	if w.Why = why; why != "" {
		return w
	}
	w.Beam = l.beam
	w.FrontG, w.RearG = l.beam.Carry(Point{t.DebrisTankFromFrontMM, held.debrisG}, Point{t.FreshTankFromFrontMM, held.freshG})
	w.Axles = l.masses(w.FrontG, w.RearG)
	return w
}
