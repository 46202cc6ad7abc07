package manifest

import (
	"slices"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// find adds a finding about a consignment, citing its tip first and then more.
func (b *builder) find(code reports.Code, c *Consignment, cites []uint64, format string, args ...any) {
	more := slices.DeleteFunc(b.j.Cited(cites), func(p uint64) bool { return slices.Contains(c.Cites, p) })
	f := reports.NewFinding(code, c.Truck, c.at, slices.Concat(c.Cites, more), "consignment %s: "+format, append([]any{c.Number}, args...)...)
	b.r.Findings = append(b.r.Findings, f)
}

// check makes the findings about one consignment.
func (b *builder) check(c *Consignment) {
	if c.Docket == nil && c.expectsDocket() {
		b.find(reports.NoDocket, c, nil, "no docket from %s has come", c.Facility)
	}
	if c.Known {
		b.checkPermit(c)
		b.checkCodes(c)
		b.checkWet(c)
	}
	if c.Mixed {
		b.find(reports.HazardousMixed, c, nil, "hazardous and other material were in the tank together")
	}
	b.checkNames(c)
	if len(c.Missing) > 0 {
		names := make([]string, len(c.Missing))
		for i, m := range c.Missing {
			names[i] = m.Item
		}
		b.find(reports.RecordIncomplete, c, nil, "the record lacks, of what the profile %s asks: %s", b.o.Profile, strings.Join(names, ", "))
	}
}

// checkPermit holds the facility's permit against the local dates, in the
// facility's zone, of the start and the end of the tip; both days of validity are
// within it.
func (b *builder) checkPermit(c *Consignment) {
	f := c.Receiver
	if f.Permit == "" {
		b.find(reports.PermitMissing, c, nil, "%s has no permit in the register", c.Facility)
		return
	}
	zone, ok := b.zones.load(f.TimeZone)
	if !ok {
		zone = b.q.Period.Zone
		b.find(reports.UnknownReference, c, nil, "the time zone %q of %s is not known; dates are those of the period's zone", f.TimeZone, c.Facility)
	}
	for _, at := range []events.Time{c.start, c.Journey.Tipped} {
		day := time.UnixMilli(at.UnixMS).In(zone).Format(time.DateOnly)
		if f.PermitFrom != "" && day < f.PermitFrom || f.PermitTo != "" && day > f.PermitTo {
			b.find(reports.PermitExpired, c, nil, "permit %s of %s is valid from %s to %s; the tip was on %s", f.Permit, c.Facility,
				orOpen(f.PermitFrom), orOpen(f.PermitTo), day)
			return
		}
	}
}

func orOpen(date string) string {
	if date == "" {
		return "(not said)"
	}
	return date
}

// checkCodes holds each waste code shown against those that the facility accepts.
// Spaces and the asterisk that marks a hazardous code do not tell codes apart.
func (b *builder) checkCodes(c *Consignment) {
	accepted := map[string]bool{}
	for _, code := range c.Receiver.AcceptedCodes {
		accepted[plainCode(code)] = true
	}
	if c.Receiver.Permit == "" && len(accepted) == 0 {
		return // the missing permit says it already
	}
	told := map[string]bool{}
	for i := range c.Parts {
		p := &c.Parts[i]
		code := plainCode(p.Spoil.WasteCode)
		if code == "" || accepted[code] || told[code] {
			continue
		}
		told[code] = true
		b.find(reports.CodeNotAccepted, c, p.Cites, "%s does not list waste code %s", c.Facility, p.Spoil.WasteCode)
	}
}

func plainCode(code string) string {
	return strings.ToUpper(strings.NewReplacer(" ", "", "*", "", ".", "", "-", "").Replace(code))
}

// checkWet finds a load tipped at a landfill-type facility with neither a decant
// since the tank was last empty nor a passed free-liquids test. A failed test tells
// against a decant. A liquid-treatment facility may lawfully take slurry.
func (b *builder) checkWet(c *Consignment) {
	if c.Receiver.Class != events.LandfillClass {
		return
	}
	switch {
	case c.Test != nil && c.Test.Passed:
	case c.Test != nil:
		b.find(reports.WetLoadAtLandfill, c, nil, "the free-liquids test (%s) was failed", c.Test.Method)
	case c.DecantCount == 0:
		b.find(reports.WetLoadAtLandfill, c, nil, "tipped at %s without a decant or a free-liquids test", c.Facility)
	}
}

// checkNames finds what the register does not know and the tank account does not
// look up: client, carrier and driver.
func (b *builder) checkNames(c *Consignment) {
	if c.Plate != "" && c.Carrier.Name == "" {
		b.find(reports.UnknownReference, c, nil, "the register has no carrier for truck %s at that time", c.Truck)
	}
	if c.Driver != "" {
		if _, ok := b.j.Book.Operator(c.Driver, c.at); !ok {
			b.find(reports.UnknownReference, c, nil, "the register has no operator %s at that time", c.Driver)
		}
	}
	told := map[events.ClientID]bool{}
	for i := range c.Parts {
		p := &c.Parts[i]
		if p.Client != "" && p.ClientEntry.Name == "" && !told[p.Client] {
			told[p.Client] = true
			b.find(reports.UnknownReference, c, p.Cites, "the register has no client %s at that time", p.Client)
		}
	}
}

// checkClassified finds, once for each material, that nobody is named as having
// classified it.
func (b *builder) checkClassified() {
	index := map[events.MaterialID]int{}
	for i := range b.r.Consignments {
		c := &b.r.Consignments[i]
		for k := range c.Parts {
			p := &c.Parts[k]
			if p.Spoil.WasteCode == "" || p.Spoil.ClassifiedBy != "" {
				continue
			}
			at, ok := index[p.Material]
			if !ok {
				at = len(b.r.Findings)
				index[p.Material] = at
				b.r.Findings = append(b.r.Findings, reports.NewFinding(reports.NotClassified, "", c.at, nil,
					"nobody is named as having classified material %s, waste code %s", p.Material, p.Spoil.WasteCode))
			}
			b.r.Findings[at].Cites = b.j.Cited(b.r.Findings[at].Cites, c.Cites)
		}
	}
}

// markRepeatedNumbers notes consignments that share a paper note's number.
func (b *builder) markRepeatedNumbers() {
	count := map[string]int{}
	for i := range b.r.Consignments {
		count[b.r.Consignments[i].Number]++
	}
	for i := range b.r.Consignments {
		c := &b.r.Consignments[i]
		if c.Key = c.Number; count[c.Number] > 1 {
			c.Key = c.own
			c.Missing = append(c.Missing, Missing{"Number", "the same number is on another tip of the period", inTip})
		}
	}
}

// heldFinding tells that a truck still holds material at the end of the period.
func (b *builder) heldFinding(list []Holding) {
	sum, cites := Amount{}, []uint64{}
	for i := range list {
		if list[i].Other {
			continue
		}
		sum = sum.Plus(list[i].Amount)
		cites = append(cites, list[i].Cites...)
	}
	b.r.Findings = append(b.r.Findings, reports.NewFinding(reports.LoadNotTipped, list[0].Truck, b.q.Period.To, b.j.Cited(cites),
		"%s holds %s kg, %s m³, at the end of the period", list[0].Truck, kilograms(sum.MassG()), cubicMetres(sum.VolumeML)))
}

// accountFindings takes the tank account's findings about the tips listed, their
// dockets included whenever they came, and about what else happened to the debris
// tank in the period. Those of the fresh tank belong to the water report.
func (b *builder) accountFindings(a *account, listed []int) {
	tips := a.tipPositions()
	shown := map[int]bool{}
	for _, i := range listed {
		shown[i] = true
	}
	fresh := a.freshPositions()
	for _, f := range a.Findings {
		if len(f.Cites) > 0 && fresh[f.Cites[0]] || f.Code == reports.FreshOverdrawn || f.Code == reports.FreshOverCapacity {
			continue
		}
		if tip, about := a.tipOf(f, tips, shown); !b.findingShown(f, about, shown[tip]) {
			continue
		}
		if !b.wants(f.Job, f.At) {
			f.Job = "" // the tip's entry names a job that was not asked for
		}
		b.r.Findings = append(b.r.Findings, f)
	}
}

// tipOf returns the tip that a finding cites, one that is shown where there is one.
func (a *account) tipOf(f reports.Finding, tips map[uint64]int, shown map[int]bool) (tip int, ok bool) {
	tip = -1
	for _, p := range f.Cites {
		if i, found := tips[p]; found && !shown[tip] {
			tip, ok = i, true
		}
	}
	return tip, ok
}

// findingShown reports whether a finding of the account belongs in the report. The
// ones about a docket go with its tip; the text of those about a tip names no job,
// so they are shown with a consignment whoever entered it.
func (b *builder) findingShown(f reports.Finding, aboutTip, tipShown bool) bool {
	inPeriod := b.q.Period.Contains(f.At) && b.wants(f.Job, f.At)
	switch f.Code {
	case reports.DocketDiffers, reports.DocketOverTenPercent, reports.DocketRepeated, reports.DocketUnmatched,
		reports.TippedOverHeld, reports.TipOfEmptyTank, reports.SpoilReturned, reports.ReturnedOverTipped:
		return tipShown || !aboutTip && inPeriod
	}
	return tipShown && (f.Job == "" || b.wants(f.Job, f.At)) || inPeriod
}

// tipPositions returns the index of the tip for the positions of tips and dockets.
func (a *account) tipPositions() map[uint64]int {
	at := map[uint64]int{}
	mark := func(d *tank.Docket, i int) {
		for _, p := range d.Entry.Positions {
			at[p] = i
		}
	}
	for i := range a.Tips {
		t := &a.Tips[i]
		for _, p := range t.Entry.Positions {
			at[p] = i
		}
		if t.Docket != nil {
			mark(t.Docket, i)
		}
		for k := range t.Repeated {
			mark(&t.Repeated[k], i)
		}
	}
	return at
}

// freshPositions returns the positions of entries that concern the fresh tank only.
func (a *account) freshPositions() map[uint64]bool {
	at := map[uint64]bool{}
	for i := range a.Refills {
		at[a.Refills[i].Entry.Positions[0]] = true
	}
	for i := range a.Uses {
		if !a.Uses[i].IntoDebrisTank {
			at[a.Uses[i].Entry.Positions[0]] = true
		}
	}
	for i := range a.Gauges {
		if a.Gauges[i].Tank == events.FreshTank {
			at[a.Gauges[i].Entry.Positions[0]] = true
		}
	}
	return at
}

// zones finds time zones and keeps those that have been looked up.
type zones struct {
	find  func(name string) (*time.Location, error)
	known map[string]*time.Location
}

// load returns the zone of an IANA name; ok is false when it is not known.
func (z zones) load(name string) (zone *time.Location, ok bool) {
	if known, done := z.known[name]; done {
		return known, known != nil
	}
	zone, err := z.find(name)
	if err != nil || name == "" {
		zone = nil
	}
	z.known[name] = zone
	return zone, zone != nil
}
