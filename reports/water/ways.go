package water

import (
	"cmp"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/gauge"
	"spoilbook/reports/tank"
)

// NozzlePermille is how far an estimate from a jet's setting may be off, as a limit:
// 10 %, an assumption that stands for the pressure gauge, the wear of the nozzle and
// its coefficient of discharge. Nobody's standard says it.
const NozzlePermille = 100

// Way is one of the three ways of knowing water that do not rest on what was entered.
type Way string

// The ways.
const (
	ByMeter  Way = "meter"           // of the source, what was drawn
	ByLevel  Way = "tank level"      // what left the fresh tank between two gauges
	ByNozzle Way = "nozzle estimate" // what the jet let out
)

// Known is what one way says of a truck's local day, against the entries. Entries
// counts those that are compared; Alone is what only this way knows of, such as jetting
// of a load that enters no jetting water.
type Known struct {
	Date        string
	Truck       events.TruckID
	Way         Way
	Entries     int64
	SaysML      int64 // by this way
	EnteredML   int64 // by the entries
	ToleranceML int64 // what the two may differ by, two standard uncertainties
	AloneML     int64
	Cites       []uint64

	says, entered                  []int64 // limits
	saysParts, enteredParts, alone sum
	jets                           []*reports.Entry
}

// DifferenceML returns what the way says less what was entered.
func (k *Known) DifferenceML() int64 { return k.SaysML - k.EnteredML }

// Differs reports whether both tolerances together do not explain the difference.
func (k *Known) Differs() bool { return k.Entries > 0 && magnitude(k.DifferenceML()) > k.ToleranceML }

type wayKey struct {
	date  string
	truck events.TruckID
	way   Way
}

// known returns the day of a truck and way that an entry belongs to, which cites it
// from now on.
func (b *builder) known(e *reports.Entry, way Way) *Known {
	k := wayKey{b.q.Period.Day(e.Occurred), e.Truck, way}
	if b.ways[k] == nil {
		b.ways[k] = &Known{Date: k.date, Truck: k.truck, Way: way}
	}
	b.ways[k].Cites = append(b.ways[k].Cites, e.Positions...)
	return b.ways[k]
}

// drawnByMeter compares a refill that has both its readings with its stated volume.
func (b *builder) drawnByMeter(d *Draw, source events.WaterSource) {
	if d.MeterML == nil || *d.MeterML < 0 {
		return
	}
	k := b.known(d.Entry, ByMeter)
	body := d.Entry.Body.(events.WaterRefilled)
	if body.Volume == nil {
		k.AloneML += *d.MeterML
		k.alone.add(*d.MeterML, d.Entry.Positions...)
		return
	}
	k.say(*d.MeterML, d.Entry)
	k.enter(*body.Volume, d.Entry)
	k.says = append(k.says, meterLimit(source, *d.MeterML))
}

// jettedByNozzle compares a load whose jet's setting is recorded with its jetting water.
func (b *builder) jettedByNozzle(l *tank.Load) {
	body := l.Entry.Body.(events.LoadCollected)
	if body.Jet == nil {
		return
	}
	estimate := gauge.JetML(*body.Jet)
	k := b.known(l.Entry, ByNozzle)
	k.jets = append(k.jets, l.Entry)
	if body.JettingWater == nil {
		k.AloneML += estimate
		k.alone.add(estimate, l.Entry.Positions...)
		return
	}
	k.say(estimate, l.Entry)
	k.enter(*body.JettingWater, l.Entry)
	// One nozzle is wrong in the same way all day: its limits add up as they are.
	if len(k.says) == 0 {
		k.says = []int64{0}
	}
	k.says[0] += reports.MulDiv(estimate, NozzlePermille, 1000)
}

// say adds to what the way says.
func (k *Known) say(ml int64, e *reports.Entry) {
	k.SaysML += ml
	k.saysParts.add(ml, e.Positions...)
}

// enter adds an entry to what the way is held against.
func (k *Known) enter(v events.Volume, e *reports.Entry) {
	k.EnteredML += v.VolumeML
	k.enteredParts.add(v.VolumeML, e.Positions...)
	k.Entries++
	k.entered = append(k.entered, statedLimit(v))
}

// leftByLevel compares, for each day with two usable gauges of the fresh tank, what left
// it by the first and the last of them and the refills between, with what the entries
// between say was jetted and used.
func (b *builder) leftByLevel(a *tank.Account) {
	gauges := map[string][]*tank.Gauge{}
	for i := range a.Gauges {
		g := &a.Gauges[i]
		if g.Tank == events.FreshTank && !g.Unusable && b.q.Period.Contains(g.Entry.Occurred) {
			day := b.q.Period.Day(g.Entry.Occurred)
			gauges[day] = append(gauges[day], g)
		}
	}
	for day, list := range gauges {
		if len(list) > 1 {
			b.levelDay(a, day, list[0], list[len(list)-1])
		}
	}
}

func (b *builder) levelDay(a *tank.Account, day string, first, last *tank.Gauge) {
	within := func(e *reports.Entry) bool {
		return !e.Occurred.Before(first.Entry.Occurred) && !last.Entry.Occurred.Before(e.Occurred)
	}
	k := b.known(first.Entry, ByLevel)
	k.Cites = append(k.Cites, last.Entry.Positions...)
	k.say(first.MeasuredML, first.Entry)
	k.say(-last.MeasuredML, last.Entry)
	k.says = []int64{b.levelLimit(first), b.levelLimit(last)}
	for i := range a.Refills {
		if r := &a.Refills[i]; within(r.Entry) {
			k.say(r.VolumeML, r.Entry)
			k.says = append(k.says, refillLimit(r))
			k.Cites = append(k.Cites, r.Entry.Positions...)
		}
	}
	use := func(e *reports.Entry, v events.Volume) {
		k.enter(v, e)
		k.Cites = append(k.Cites, e.Positions...)
	}
	for i := range a.Loads {
		e := a.Loads[i].Entry
		if v := e.Body.(events.LoadCollected).JettingWater; v != nil && within(e) {
			use(e, *v)
		}
	}
	for i := range a.Uses {
		if e := a.Uses[i].Entry; within(e) {
			use(e, e.Body.(events.WaterUsed).Volume)
		}
	}
	k.Entries = max(1, k.Entries) // nothing entered is compared, too
}

// levelLimit returns how far a gauge may be off: what the entry states, otherwise what
// the register says of the truck's gauges.
func (b *builder) levelLimit(g *tank.Gauge) int64 {
	body, _ := g.Entry.Body.(events.TankGauged)
	if body.Volume.ToleranceML > 0 {
		return body.Volume.ToleranceML
	}
	truck, _ := b.j.Book.Truck(g.Entry.Truck, g.Entry.Occurred)
	return reports.MulDiv(g.MeasuredML, truck.LevelTolerancePermille, 1000)
}

// refillLimit returns how far the figure of a refill that counts may be off.
func refillLimit(r *tank.Refill) int64 {
	if r.ToleranceML > 0 {
		return r.ToleranceML
	}
	return statedLimit(events.Volume{VolumeML: r.VolumeML})
}

// judgeWays puts the ways in order and finds estimates that differ. What meters and
// gauges contradict is found entry by entry.
func (b *builder) judgeWays() {
	for _, k := range b.ways {
		k.ToleranceML = tank.CombinedLimit(slices.Concat(k.says, k.entered)...)
		k.Cites = reports.Union(k.Cites)
		b.report.Ways = append(b.report.Ways, *k)
	}
	slices.SortFunc(b.report.Ways, func(x, y Known) int {
		return cmp.Or(cmp.Compare(x.Date, y.Date), cmp.Compare(x.Truck, y.Truck), cmp.Compare(x.Way, y.Way))
	})
	for i := range b.report.Ways {
		if k := &b.report.Ways[i]; k.Way == ByNozzle && k.Differs() {
			b.report.Findings = append(b.report.Findings, reports.NewFinding(reports.NozzleDiffers, k.Truck, b.lastOf(k.Cites), b.j.Cited(k.Cites),
				"%s L of jetting water were entered on %s; the jet's settings say %s L; both together explain %s L",
				litres(k.EnteredML), k.Date, litres(k.SaysML), litres(k.ToleranceML)))
		}
	}
}
