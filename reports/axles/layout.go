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
func weigh(id events.TruckID, t events.Truck, known bool, held contents, at events.Time, groupMM int64) Weight {
	w := Weight{truck: id, At: at, DebrisG: held.debrisG, FreshG: held.freshG, DebrisML: held.debrisML, Known: known, Cites: held.cites, fills: held.fills}
	if !known {
		w.Why = "the register does not have the truck at that time"
		return w
	}
	w.TareG, w.PermittedGrossG = t.TareKg*1000, t.PermittedGrossKg*1000
	w.GrossG = w.TareG + held.debrisG + held.freshG
	l, why := layoutOf(t, groupMM)
	if w.Why = why; why != "" {
		return w
	}
	w.Beam = l.beam
	w.DebrisAtMM, w.FreshAtMM = t.DebrisTankFromFrontMM, t.FreshTankFromFrontMM
	w.FrontG, w.RearG = l.beam.Carry(w.aboard()...)
	w.FrontMarginG, w.RearMarginG = l.beam.Margins(w.aboard()...)
	w.Axles = l.masses(w.FrontG, w.RearG)
	return w
}

// aboard returns the contents of the tanks and where they lie.
func (w *Weight) aboard() []Point {
	return []Point{{w.DebrisAtMM, w.DebrisG}, {w.FreshAtMM, w.FreshG}}
}

// GrossMarginG returns the permitted gross less the gross.
func (w *Weight) GrossMarginG() int64 { return w.PermittedGrossG - w.GrossG }

// margin is what is left to one limit, negative when it is passed.
type margin struct {
	name              string
	massG, permittedG int64
	leftG             int64
}

// margins returns what is left to the gross and to the supports, as far as they are
// known.
func (w *Weight) margins() []margin {
	list := []margin{}
	if w.Known {
		list = append(list, margin{"truck", w.GrossG, w.PermittedGrossG, w.GrossMarginG()})
	}
	if w.Why == "" {
		list = append(list, margin{w.Beam.Front.Name, w.FrontG, w.Beam.Front.PermittedG, w.FrontMarginG},
			margin{w.Beam.Rear.Name, w.RearG, w.Beam.Rear.PermittedG, w.RearMarginG})
	}
	return list
}
