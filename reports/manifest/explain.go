package manifest

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Explain returns how a consignment came about: each load with the relation that gave
// its solids and water, what left the tank of it before, the share that the tip took,
// and the docket's difference with the arithmetic of both tolerances. Under a filter
// the loads of jobs not asked for are one sum.
func (r *Report) Explain(table, key string) (reports.Explanation, bool) {
	if table != consignmentsName {
		return reports.Explanation{}, false
	}
	i := slices.IndexFunc(r.Consignments, func(c Consignment) bool { return c.Key == key })
	if i < 0 {
		return reports.Explanation{}, false
	}
	c := &r.Consignments[i]
	x := &exposition{r: r, c: c, Explanation: reports.Explanation{Report: "manifest", Table: table, Key: key, Says: c.says()}}
	x.history()
	x.quantity()
	x.shares()
	x.sums()
	x.certainty()
	x.docket()
	x.register()
	x.Gather(c.citesOf()...)
	return x.Explanation, true
}

// says states the line in a sentence.
func (c *Consignment) says() string {
	text := fmt.Sprintf("Consignment %s, truck %s: %s of solids and %s of water, %s, %s, tipped at %s.", c.Number, c.Truck,
		reports.Kilograms(c.Amount.SolidsG), reports.Kilograms(c.Amount.WaterG), reports.Kilograms(c.Amount.MassG()), reports.CubicMetres(c.Amount.VolumeML), facilityName(c))
	if c.Docket != nil {
		text += fmt.Sprintf(" Docket %s: %s net.", c.Docket.Number, reports.Kilograms(c.Docket.NetG))
	}
	return text
}

// exposition gathers the explanation of one consignment.
type exposition struct {
	reports.Explanation
	r *Report
	c *Consignment
}

func (x *exposition) step(what, sum, result string, cites ...[]uint64) {
	x.Reckon(what, sum, result, slices.Concat(cites...)...)
}

// clock shows a time in the period's zone.
func (x *exposition) clock(t events.Time) string {
	return x.r.Request.Period.Local(t).Format("2006-01-02 15:04")
}

// shown reports whether spoil of a job may be shown by name.
func (x *exposition) shown(job events.JobID) bool {
	return !x.r.Narrowed || job != "" && x.r.Request.WantsJob(x.r.journal, job, x.c.at)
}

// plain writes units of 10^-scale as a decimal number without separators or zeros at
// its end, as arithmetic reads it.
func plain(v int64, scale int) string {
	text := strings.ReplaceAll(reports.Decimal(v, scale, scale), ",", "")
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

// num writes grams as kilograms, or millilitres as litres, for arithmetic.
func num(g int64) string { return plain(g, 3) }

// inKg, inL and inM3 write results to the gram and the millilitre.
func inKg(g int64) string { return reports.Decimal(g, 3, 3) + " kg" }

func inL(ml int64) string { return reports.Decimal(ml, 3, 3) + " L" }

// plus joins terms to a sum, "0" when there are none.
func plus(terms []string) string {
	if len(terms) == 0 {
		return "0"
	}
	return strings.Join(terms, " + ")
}

// quantity says how much was tipped of what the tank held, where it was not all.
func (x *exposition) quantity() {
	t := x.c.tip
	body, _ := t.Entry.Body.(events.SpoilTipped)
	held := t.Before.MassG()
	cites := t.Entry.Positions
	switch {
	case body.Whole || held == 0:
	case body.Volume != nil && x.r.options.Tank.FirstInFirstOut && t.MassG() < held:
		// The oldest loads are taken by their volumes, each with its own mass.
	case body.Mass != nil:
		x.step("mass tipped, as entered", num(body.Mass.MassG), inKg(t.MassG()), cites)
	case body.Volume != nil && body.Volume.VolumeML != t.Before.VolumeML:
		x.step("mass tipped: mass in the tank × volume tipped ÷ volume in the tank", fmt.Sprintf("%s × %s ÷ %s", num(held), num(body.Volume.VolumeML), plain(t.BeforeUL, 6)), inKg(t.MassG()), cites)
	case body.Volume == nil:
		x.step("mass tipped: mass in the tank × portion", fmt.Sprintf("%s × %s", num(held), plain(body.PortionPPM, 6)), inKg(t.MassG()), cites)
	}
	if unheld := t.UnheldSolidsG + t.UnheldWaterG; unheld > 0 {
		x.step("tipped beyond what the tank held, and nobody's", fmt.Sprintf("%s − %s", num(t.MassG()), num(t.MassG()-unheld)), inKg(unheld), cites)
	}
}

// sums adds the shares up to the line's figures.
func (x *exposition) sums() {
	t := x.c.tip
	var solids, water, volume, volumes []string
	var otherG, otherWaterG, otherML int64
	for i := range t.Shares {
		s := &t.Shares[i]
		if !x.shown(s.Job) {
			otherG, otherWaterG, otherML = otherG+s.SolidsG, otherWaterG+s.WaterG, otherML+s.VolumeML
			continue
		}
		solids, water, volume = append(solids, num(s.SolidsG)), append(water, num(s.WaterG)), append(volume, num(s.VolumeML))
		volumes = append(volumes, num(s.WaterG))
		if s.SolidsG > 0 {
			volumes = append(volumes, fmt.Sprintf("round(%s × 1000000000 ÷ %d) ÷ 1000000", num(s.SolidsG), s.ParticleDensityKgPerM3))
		}
	}
	name := ""
	add := func(what string, solidsG, waterG, ml int64) {
		if solidsG+waterG == 0 {
			return
		}
		name += what
		solids, water, volume = append(solids, num(solidsG)), append(water, num(waterG)), append(volume, num(ml))
	}
	heldML := otherML
	for i := range t.Shares {
		if x.shown(t.Shares[i].Job) {
			heldML += t.Shares[i].VolumeML
		}
	}
	add(", then that of other jobs", otherG, otherWaterG, otherML)
	add(", then what the tank did not hold", t.UnheldSolidsG, t.UnheldWaterG, t.VolumeML-heldML)
	x.step("solids tipped, share by share"+name, plus(solids), inKg(t.SolidsG))
	x.step("water tipped, share by share"+name, plus(water), inKg(t.WaterG))
	x.step("mass: solids and water", fmt.Sprintf("%s + %s", num(t.SolidsG), num(t.WaterG)), inKg(t.MassG()))
	if len(volumes) > 0 && otherG+otherWaterG == 0 {
		x.step("volume of what the tank held: water, and solids over their particle density in whole microlitres; without air",
			"round(("+strings.Join(volumes, " + ")+") × 1000) ÷ 1000", inL(heldML))
	}
	x.step("volume, share by share to the millilitre"+name, plus(volume), inL(t.VolumeML))
	if t.VolumeML > 0 {
		x.step("density: mass over volume", fmt.Sprintf("%s × 1000 ÷ %s", num(t.MassG()), num(t.VolumeML)), reports.Decimal(t.DensityGPerM3(), 3, 3)+" kg/m³")
	}
	if ppm, ok := t.MoisturePPM(); ok {
		x.step("moisture: water over dry solids by mass", fmt.Sprintf("%s ÷ %s × 100", num(t.WaterG), num(t.SolidsG)), reports.Decimal(ppm, 4, 4)+" %")
	}
	x.Follow("Tanaka et al., Metrologia 38 (2001) 301", "Water counts as 1000 kg/m³; from 0 to 30 °C it is 999.97 to 995.65.")
}

// load returns the load that an entry brought, or nil when it brought something else.
func (a *account) load(position uint64) *tank.Load {
	if i, ok := a.loads[position]; ok {
		return &a.Loads[i]
	}
	return nil
}

// register notes what the register said of whom and what the line names.
func (x *exposition) register() {
	c := x.c
	x.Read(x.r.journal, events.TruckRegister, string(c.Truck), c.at, c.TruckName+", number plate "+c.Plate)
	x.Read(x.r.journal, events.FacilityRegister, string(c.Facility), c.at, fmt.Sprintf("%s, %s, permit %s", c.Receiver.Name, c.Receiver.Class, cmp.Or(c.Receiver.Permit, "none")))
	if c.Receiver.Class == events.LandfillClass {
		x.Follow("40 CFR 258.28(a); EPA Method 9095B", "A municipal landfill takes no bulk liquids: of 100 mL on a conical filter of mesh 60 nothing may come through in 5 minutes. A liquid-treatment facility may lawfully take slurry. Here: free-liquids test "+testResult(c)+".")
	}
	for i := range c.Parts {
		p := &c.Parts[i]
		x.Read(x.r.journal, events.JobRegister, string(p.Job), c.at, fmt.Sprintf("%s, %s, client %s", p.JobEntry.Name, p.JobEntry.SiteAddress, p.Client))
		reads := fmt.Sprintf("%s %s, classified by %s on %s", p.Spoil.WasteCode, p.Spoil.Description, cmp.Or(p.Spoil.ClassifiedBy, "nobody"), cmp.Or(p.Spoil.ClassificationBasis, "no basis"))
		if w, ok := WasteOf(p.Spoil.WasteCode); ok {
			reads += "; the List of Wastes says: " + w.Wording
			if w.Mirror != "" {
				x.Follow("List of Wastes, Commission Decision 2000/532/EC", fmt.Sprintf("%s and %s are a mirror pair: which of the two a waste is takes an assessment.", w.Code, w.Mirror))
			}
		}
		x.Read(x.r.journal, events.MaterialRegister, string(p.Material), c.at, reads)
	}
	for i := range c.Decants {
		d := &c.Decants[i]
		x.Read(x.r.journal, events.OutfallRegister, string(d.Outfall), d.At, fmt.Sprintf("%s, %s, consent %s", d.Name, d.To, cmp.Or(d.Consent, "none")))
	}
	slices.SortStableFunc(x.Register, func(a, b reports.RegisterUse) int {
		return cmp.Or(cmp.Compare(a.Register, b.Register), cmp.Compare(a.Key, b.Key), cmp.Compare(a.From.UnixMS, b.From.UnixMS))
	})
}

// docket explains the docket's difference and both rules by which it is judged.
func (x *exposition) docket() {
	t, d := x.c.tip, x.c.tip.Docket
	if d == nil {
		return
	}
	e := d.Entry.Positions
	if d.ReturnedG > 0 {
		x.step("the account without what the facility had given back when it weighed", fmt.Sprintf("%s − %s", num(t.MassG()), num(d.ReturnedG)), inKg(d.AccountG), e)
		x.Follow("this program's rule", "A docket is held against what of its tip was still at the facility when it weighed.")
	}
	x.step("docket "+d.Number+" less the account", fmt.Sprintf("%s − %s", num(d.NetG), num(d.AccountG)), inKg(d.DifferenceG), e, t.Entry.Positions)
	if ppm := x.c.Docket.DifferencePPM; ppm != nil {
		x.step("the difference over the account, in percent", fmt.Sprintf("(%s) ÷ %s × 100", num(d.DifferenceG), num(d.AccountG)), reports.Decimal(*ppm, 4, 4)+" %")
		x.Follow("40 CFR 264.72(b); that denominator is an interpretation", "A difference is significant when it is strictly more than 10 % by weight of the account.")
	}
	if x.c.ReconcileBy != "" {
		x.Follow("40 CFR 264.72(c), 15 days as read; a rule of 2024 made it 20, from memory", fmt.Sprintf("A significant discrepancy is reconciled or reported within %d days of the weighing: by %s.", x.r.options.ReconcileDays, x.c.ReconcileBy))
	}
	x.weighings(d)
	combined := x.combined(d)
	if d.EnMilli > 0 {
		x.step("the difference over both tolerances", fmt.Sprintf("%s ÷ %s", num(max(d.DifferenceG, -d.DifferenceG)), combined), reports.Decimal(d.EnMilli, 3, 3))
		x.Follow("ISO 13528, from memory", "Above 1 the instruments do not explain the difference.")
	}
}

// weighings explains how good the docket's net mass is.
func (x *exposition) weighings(d *tank.Docket) {
	if d.IntervalG == 0 {
		return
	}
	for _, w := range []struct {
		name  string
		massG int64
	}{{"gross", d.GrossG}, {"tare", d.TareG}} {
		limit := tank.WeighingLimitG(w.massG, d.IntervalG)
		x.step(fmt.Sprintf("limit of error of the %s weighing, %s: intervals × interval", w.name, reports.Kilograms(w.massG)),
			fmt.Sprintf("%d × %s", limit/d.IntervalG, num(d.IntervalG)), inKg(limit))
	}
	x.step("the docket is good to, two standard uncertainties", fmt.Sprintf("2 × rss(%s, %s) ÷ sqrt(3)", num(tank.WeighingLimitG(d.GrossG, d.IntervalG)),
		num(tank.WeighingLimitG(d.TareG, d.IntervalG))), inKg(d.ToleranceG))
	x.Follow("UK SI 1995/1907, twice the limits of OIML R 76", "A class III weighbridge in service is within 1 interval up to 500 of them, 2 up to 2000, 3 beyond.")
	x.Follow("JCGM 100 (GUM)", "A limit counts as a rectangular distribution, u = limit ÷ √3; independent ones add as squares; shown are two standard uncertainties; rss is the root of the sum of the squares.")
}

// combined writes both tolerances together, to the gram.
func (x *exposition) combined(d *tank.Docket) string {
	t := x.c.tip
	account := t.ToleranceG
	if t.MassG() > 0 {
		account = reports.MulDiv(t.ToleranceG, max(0, d.AccountG), t.MassG())
	}
	terms := []string{}
	for _, massG := range []int64{d.GrossG, d.TareG} {
		terms = append(terms, fmt.Sprintf("2 × %s ÷ sqrt(3)", num(tank.WeighingLimitG(massG, d.IntervalG))))
	}
	return fmt.Sprintf("(round(rss(%s, %s) × 1000) ÷ 1000)", strings.Join(terms, ", "), num(account))
}

// mostUncertainG is more than any truck carries, and near what the account can count: a
// grain that was held says nothing about tonnes that were tipped.
const mostUncertainG = 1_000_000_000

// certainty explains how good the account's mass and its solids are.
func (x *exposition) certainty() {
	t := x.c.tip
	sum := x.rootSumSquare(t.Uncertainties())
	if sum == "" || max(t.ToleranceG, t.ToleranceSolidsG) > mostUncertainG {
		return
	}
	x.step("the account is good to, two standard uncertainties: of the loads, of what was measured out of the tank, of the tip's own quantity", sum, inKg(t.ToleranceG))
	if sum := x.rootSumSquare(t.SolidsUncertainties()); sum != "" {
		x.step("its solids are good to, of the same", sum, inKg(t.ToleranceSolidsG))
		x.Follow("JCGM 100 (GUM), law of propagation", "Solids solved from a mass and a volume are good to ρs ÷ (ρs − ρw) times the rss of both; those of soil known by its bank are as good as its volume, and water drained clear takes nothing away.")
	}
	x.Follow("JCGM 100 (GUM)", "A limit counts as a rectangular distribution, u = limit ÷ √3; independent ones add as squares; shown are two standard uncertainties; rss is the root of the sum of the squares. Mass, volume and solids rest on the same instruments and are not added.")
	x.Follow("this program's assumption", "A quantity without a stated tolerance is good to 3 %, two standard uncertainties.")
}

// rootSumSquare writes how a tip's uncertainties add up, or "" when there are none.
func (x *exposition) rootSumSquare(list []tank.Uncertainty) string {
	t := x.c.tip
	var terms, own []string
	for _, u := range list {
		text := trimZeros(fmt.Sprintf("%.9f", u.G/1000))
		if u.Own {
			own = append(own, text)
			continue
		}
		terms = append(terms, text)
	}
	if len(terms)+len(own) == 0 {
		return ""
	}
	sum := "rss(" + strings.Join(append(slices.Clone(terms), own...), ", ") + ")"
	if unheld := t.UnheldSolidsG + t.UnheldWaterG; unheld > 0 && len(terms) > 0 && t.MassG() > unheld {
		sum = fmt.Sprintf("rss(rss(%s) × %s ÷ %s", strings.Join(terms, ", "), num(t.MassG()), num(t.MassG()-unheld))
		for _, o := range own {
			sum += ", " + o
		}
		sum += ")"
	}
	return sum
}

func trimZeros(s string) string {
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// dayAfter returns the date some days after a time, by its own clock.
func dayAfter(t events.Time, days int) string {
	return t.Std().AddDate(0, 0, days).Format(time.DateOnly)
}
