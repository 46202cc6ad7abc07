package axles

import (
	"fmt"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/arithmetic"
)

// The names of the tables, all of whose lines can be explained.
const (
	tripTableName   = "Journeys"
	bridgeTableName = "Bridge formula"
	dayTableName    = "Heaviest of the day"
	loadTableName   = "Room after loads"
	truckTableName  = "Trucks"
)

func (d *Day) key() string { return d.Date + "/" + string(d.Truck) }

// Explain returns how a line came about: what went into each tank and out of it, the
// masses by the moments of statics, what is left to each limit and, of a load, the room
// for more; of a group of axles the bridge formula; of a truck its payload and tank.
func (r *Report) Explain(table, key string) (reports.Explanation, bool) {
	x := &exposition{r: r, Explanation: reports.Explanation{Report: "axles", Table: table, Key: key}}
	found := false
	switch table {
	case tripTableName:
		found = reports.ExplainKeyed(r.Trips, key, func(t *Trip) string { return t.key }, x.trip)
	case bridgeTableName:
		found = r.Rule == USBridge && reports.ExplainKeyed(r.Trips, key, func(t *Trip) string { return t.key }, x.bridge)
	case dayTableName:
		found = !r.Narrowed && reports.ExplainKeyed(r.Days, key, (*Day).key, x.day)
	case loadTableName:
		found = reports.ExplainKeyed(r.Loads, key, func(l *Load) string { return l.key }, x.load)
	case truckTableName:
		found = reports.ExplainKeyed(r.Trucks, key, func(t *Truck) string { return string(t.ID) }, x.truck)
	}
	if !found || x.Says == "" {
		return reports.Explanation{}, false
	}
	x.Gather()
	return x.Explanation, true
}

// exposition gathers the explanation of one line.
type exposition struct {
	reports.Explanation
	r *Report
}

const (
	statics  = "statics: moments about a support"
	advice   = "this program's rule"
	practice = "common practice"
)

// clock writes a time in the period's zone, and what is not on record as that.
func (x *exposition) clock(t events.Time) string {
	if t.IsZero() {
		return notOnRecord
	}
	return x.r.Request.Period.Local(t).Format("2006-01-02 15:04")
}

// num writes grams as kilograms, millilitres as litres and millimetres as metres.
func num(v int64) string { return arithmetic.Number(v, 3) }

func inKg(g int64) string { return reports.Decimal(g, 3, 3) + " kg" }

// wholeKg writes what is left to a limit as its cell shows it.
func wholeKg(g int64) string { return reports.Decimal(kilogramsDown(g), 0, 0) + " kg" }

// stands says in a sentence what is left to each limit.
func (w *Weight) stands() string {
	if !w.Known {
		return "What it weighed is not known: " + w.Why + "."
	}
	parts := []string{}
	for _, m := range w.margins() {
		parts = append(parts, fmt.Sprintf("the %s %s of %s permitted, %s", m.name, reports.Kilograms(m.massG), reports.Kilograms(m.permittedG), left(m.leftG)))
	}
	text := "By the account: " + strings.Join(parts, "; ") + "."
	if w.Why != "" {
		text += " The axles are not worked out: " + w.Why + "."
	}
	return text
}

func (x *exposition) trip(t *Trip) {
	x.Says = fmt.Sprintf("Truck %s, from %s (left %s) to %s (reached %s). %s", t.Truck, t.From, x.clock(t.Left), t.To, x.clock(t.Reached), t.Weight.stands())
	x.Gather(t.Cites...)
	x.weight(&t.Weight)
	x.Follow(practice, "Only the road is held against the limits. A journey goes from a departure to the next arrival and counts by its largest gross on the way.")
}

func (x *exposition) day(d *Day) {
	x.Says = fmt.Sprintf("Truck %s was heaviest on %s from %s, on site or on the road. %s", d.Truck, d.Date, x.clock(d.At), d.Weight.stands())
	x.weight(&d.Weight)
	x.Follow(practice, "A day's line is the first moment of its largest gross; on site a truck may hold more than it may carry on the road.")
}

// weight explains what a truck weighed: the contents of its tanks, the gross and what
// each support carried, against what is permitted.
func (x *exposition) weight(w *Weight) {
	x.Gather(w.Cites...)
	x.contents("debris tank", w.fills, w.DebrisG, func(f fill) int64 { return f.debrisG })
	x.contents("fresh-water tank", w.fills, w.FreshG, func(f fill) int64 { return f.freshG })
	x.Follow("the account's double entries", "A tank holds what the movements put into it less what they took: solids and water of each load as the manifest's explanation reckons them, what was decanted, tipped, refilled and jetted.")
	x.Follow(advice, "Advice only; a weighbridge decides. The masses have the tolerances of the loads behind them. Defer to the manufacturer's plate and local rules.")
	if !w.Known {
		return
	}
	doc, _ := x.r.journal.Book.Truck(w.truck, w.At)
	x.Read(x.r.journal, events.TruckRegister, string(w.truck), w.At, truckReads(&doc))
	x.filled("debris tank", w.DebrisML, doc.DebrisCapacityL)
	x.filled("fresh-water tank", w.FreshG, doc.FreshCapacityL)
	x.Reckon("gross: tare, debris tank, fresh-water tank", fmt.Sprintf("%s + %s + %s", num(w.TareG), num(w.DebrisG), num(w.FreshG)), inKg(w.GrossG))
	x.Reckon("gross margin: permitted less gross, whole kilograms down", fmt.Sprintf("rounddown(%s − %s)", num(w.PermittedGrossG), num(w.GrossG)), wholeKg(w.GrossMarginG()))
	if w.Why != "" {
		x.Follow(advice, "The axles are not worked out: "+w.Why+".")
		return
	}
	x.supports(w)
}

// filled reckons how full a tank was by volume.
func (x *exposition) filled(tank string, ml, capacityL int64) {
	if capacityL > 0 {
		x.Reckon(tank+", how full: litres held × 100 ÷ litres it holds", fmt.Sprintf("%s × 100 ÷ %d", num(ml), capacityL),
			reports.Decimal(reports.MulDiv(ml, 1, capacityL), 1, 1)+" %")
	}
}

// supports reckons what the supports carry and what is left to their limits.
func (x *exposition) supports(w *Weight) {
	b := w.Beam
	rear, front := moments(w, b.Front.FromFrontMM, 1), moments(w, b.Rear.FromFrontMM, -1)
	x.Reckon("wheelbase, between the supports, in metres", fmt.Sprintf("%s − (%s)", num(b.Rear.FromFrontMM), num(b.Front.FromFrontMM)), num(b.wheelbaseMM())+" m")
	onRear := fmt.Sprintf("%s + (%s) ÷ %s", num(b.Rear.TareG), rear, num(b.wheelbaseMM()))
	onFront := fmt.Sprintf("%s + (%s) ÷ %s", num(b.Front.TareG), front, num(b.wheelbaseMM()))
	x.Reckon(b.Rear.Name+": its tare, and the loads times their distance behind "+b.Front.Name+" over the wheelbase", onRear, inKg(w.RearG))
	x.Reckon(b.Front.Name+": its tare, and the loads times their distance before "+b.Rear.Name+" over the wheelbase", onFront, inKg(w.FrontG))
	x.Reckon(b.Front.Name+" margin: permitted less carried, whole kilograms down", fmt.Sprintf("rounddown(%s − (%s))", num(b.Front.PermittedG), onFront), wholeKg(w.FrontMarginG))
	x.Reckon(b.Rear.Name+" margin: permitted less carried, whole kilograms down", fmt.Sprintf("rounddown(%s − (%s))", num(b.Rear.PermittedG), onRear), wholeKg(w.RearMarginG))
	x.Follow(statics, "A mass P at a distance a before the rear support adds P × a ÷ wheelbase to the front and the rest to the rear; behind the rear support a is negative and lifts the front. The contents of a tank act at the point that the register gives.")
	x.Follow(advice, fmt.Sprintf("Axles no further apart than %d mm are one support at their middle, to the millimetre, which shares its load equally.", x.r.groupMM))
	x.Follow(advice, "A margin is rounded down and an excess up, so neither flatters.")
}

// moments writes the moments of the tanks' contents about a point, with the distances
// behind it (sign 1) or before it (sign -1).
func moments(w *Weight, aboutMM, sign int64) string {
	terms := []string{}
	for _, p := range w.aboard() {
		terms = append(terms, fmt.Sprintf("%s × (%s)", num(p.MassG), num(sign*(p.FromFrontMM-aboutMM))))
	}
	return strings.Join(terms, " + ")
}

// maxTerms is how many changes of a tank are added up one by one.
const maxTerms = 24

// contents adds up what went into a tank and out of it since it was last empty, or the
// last changes alone where those are too many.
func (x *exposition) contents(tank string, fills []fill, heldG int64, of func(fill) int64) {
	first, running := 0, int64(0)
	changes := []fill{}
	for _, f := range fills {
		if of(f) == 0 {
			continue
		}
		changes = append(changes, f)
		if running += of(f); running == 0 {
			first = len(changes)
		}
	}
	terms, what := []string{}, "each event since it was last empty"
	if n := len(changes) - maxTerms; n > first {
		before := int64(0)
		for _, f := range changes[:n] {
			before += of(f)
		}
		first, what = n, fmt.Sprintf("what it held before %s, then each event since", x.clock(changes[n].entry.Occurred))
		terms = append(terms, signed(before))
	}
	cites := []uint64{}
	for _, f := range changes[first:] {
		terms = append(terms, signed(of(f)))
		cites = append(cites, f.entry.Positions...)
	}
	if len(terms) == 0 {
		terms, what = []string{"0"}, "empty"
	}
	x.Reckon(tank+": "+what, strings.Join(terms, " + "), inKg(heldG), cites...)
}

func signed(g int64) string {
	if g < 0 {
		return "(" + num(g) + ")"
	}
	return num(g)
}

// truckReads writes what the statics take from a truck's register entry.
func truckReads(t *events.Truck) string {
	text := fmt.Sprintf("%s, tare %d kg, permitted gross %d kg, debris tank %d L at %s m, fresh-water tank %d L at %s m", t.Name, t.TareKg, t.PermittedGrossKg,
		t.DebrisCapacityL, num(t.DebrisTankFromFrontMM), t.FreshCapacityL, num(t.FreshTankFromFrontMM))
	for _, a := range t.Axles {
		text += fmt.Sprintf("; %s at %s m, tare %d kg, permitted %d kg", a.Name, num(a.FromFrontMM), a.TareKg, a.PermittedKg)
	}
	return text
}
