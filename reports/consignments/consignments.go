// Package consignments picks consignments out of a manifest, as somebody who audits it asks for them, and adds up what was picked.
// Filters hold all at once; an empty one holds for everything. For example
//
//	Select(m, Filter{Facility: "F-GARROW", Docket: "missing"}, "-mass")
//
// are the consignments to that facility that still wait for their docket, the heaviest first. Sums are those of what was picked and
// are taken from its rows, so that a picked register adds up by itself. A consignment is picked whole: one that holds spoil of the job
// asked for counts with all of its mass.
package consignments

import (
	"cmp"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports/manifest"
)

// Filter says which consignments are wanted.
type Filter struct {
	Facility    events.FacilityID
	Job         events.JobID
	Client      events.ClientID
	Truck       events.TruckID
	Code        string // waste code, as the register writes it
	Hazardous   string // "yes", "no"
	Record      string // "complete", "incomplete": against the profile of the manifest
	Discrepancy string // one of Discrepancies
	Docket      string // "there", "missing" (one should come), "none" (no weighbridge)
	Text        string // anywhere in number, docket, driver, number plate, names, sites and descriptions
}

// Discrepancies lists what a docket can be found to be: more than the instruments explain, more than 10 % off, either, or neither.
func Discrepancies() []string { return []string{"any", "unexplained", "over-ten-percent", "none"} }

// Orders lists how consignments can be sorted; with a minus before it from the largest or latest.
func Orders() []string {
	return []string{"tipped", "number", "truck", "facility", "mass", "difference", "missing"}
}

// Sums are those of the consignments picked.
type Sums struct {
	Consignments, Hazardous, Docketed, Awaited, Discrepant, Incomplete, Missing int64
	Amount                                                                      manifest.Amount
	DocketNetG, DifferenceG                                                     int64
}

// Selection is what was picked, in the order asked for.
type Selection struct {
	Of           *manifest.Report
	Filter       Filter
	Order        string
	Consignments []*manifest.Consignment
	Sums         Sums
}

// Select picks the consignments that a filter holds for. An order that is none of Orders is that of the tips.
func Select(r *manifest.Report, f Filter, order string) Selection {
	s := Selection{Of: r, Filter: f, Order: order}
	for i := range r.Consignments {
		if c := &r.Consignments[i]; f.holds(c) {
			s.Consignments = append(s.Consignments, c)
			s.Sums.add(c)
		}
	}
	s.sort()
	return s
}

func (x *Sums) add(c *manifest.Consignment) {
	x.Consignments++
	x.Hazardous += one(c.Hazardous)
	x.Awaited += one(c.AwaitsDocket())
	x.Incomplete += one(len(c.Missing) > 0)
	x.Missing += int64(len(c.Missing))
	x.Amount = x.Amount.Plus(c.Amount)
	if d := c.Docket; d != nil {
		x.Docketed++
		x.Discrepant += one(d.Unexplained || d.Significant)
		x.DocketNetG += d.NetG
		x.DifferenceG += d.DifferenceG
	}
}

func one(yes bool) int64 {
	if yes {
		return 1
	}
	return 0
}

func (f *Filter) holds(c *manifest.Consignment) bool {
	part := func(is func(*manifest.Contribution) bool) bool {
		return slices.ContainsFunc(c.Parts, func(p manifest.Contribution) bool { return is(&p) })
	}
	return (f.Facility == "" || c.Facility == f.Facility) && (f.Truck == "" || c.Truck == f.Truck) &&
		(f.Job == "" || part(func(p *manifest.Contribution) bool { return p.Job == f.Job })) &&
		(f.Client == "" || part(func(p *manifest.Contribution) bool { return p.Client == f.Client })) &&
		(f.Code == "" || part(func(p *manifest.Contribution) bool { return p.Spoil.WasteCode == f.Code })) &&
		chosen(f.Hazardous, "yes", c.Hazardous, "no", !c.Hazardous) &&
		chosen(f.Record, "complete", len(c.Missing) == 0, "incomplete", len(c.Missing) > 0) &&
		f.docket(c) && f.discrepancy(c.Docket) && f.says(c)
}

// chosen is whether the one of two choices that was made holds; no choice always does.
func chosen(choice, first string, isFirst bool, second string, isSecond bool) bool {
	switch choice {
	case first:
		return isFirst
	case second:
		return isSecond
	}
	return true
}

func (f *Filter) docket(c *manifest.Consignment) bool {
	switch f.Docket {
	case "there":
		return c.Docket != nil
	case "missing":
		return c.AwaitsDocket()
	case "none":
		return c.Docket == nil && !c.AwaitsDocket()
	}
	return true
}

func (f *Filter) discrepancy(d *manifest.Docket) bool {
	off, ten := d != nil && d.Unexplained, d != nil && d.Significant
	switch f.Discrepancy {
	case "any":
		return off || ten
	case "unexplained":
		return off
	case "over-ten-percent":
		return ten
	case "none":
		return d != nil && !off && !ten
	}
	return true
}

// says looks for the words of the text, all of them, in what people read of a consignment.
func (f *Filter) says(c *manifest.Consignment) bool {
	words := strings.Fields(strings.ToLower(f.Text))
	if len(words) == 0 {
		return true
	}
	texts := []string{c.Number, string(c.Truck), c.TruckName, c.Plate, c.DriverName, string(c.Facility), c.Receiver.Name, c.Receiver.Permit, c.Carrier.Name}
	if c.Docket != nil {
		texts = append(texts, c.Docket.Number)
	}
	for i := range c.Parts {
		p := &c.Parts[i]
		texts = append(texts, string(p.Job), p.JobEntry.Name, p.JobEntry.SiteAddress, p.JobEntry.OrderNumber, string(p.Client), p.ClientEntry.Name, string(p.Material),
			p.Spoil.WasteCode, p.Spoil.Description, p.Spoil.ClassifiedBy)
	}
	all := strings.ToLower(strings.Join(texts, "\n"))
	return !slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(all, w) })
}

func (s *Selection) sort() {
	name, down := strings.CutPrefix(s.Order, "-")
	if !slices.Contains(Orders(), name) {
		name = "tipped"
	}
	difference := func(c *manifest.Consignment) int64 {
		if c.Docket == nil {
			return 0
		}
		return max(c.Docket.DifferenceG, -c.Docket.DifferenceG)
	}
	by := func(a, b *manifest.Consignment) int {
		switch name {
		case "number":
			return cmp.Compare(a.Number, b.Number)
		case "truck":
			return cmp.Compare(a.Truck, b.Truck)
		case "facility":
			return cmp.Compare(FacilityName(a), FacilityName(b))
		case "mass":
			return cmp.Compare(a.Amount.MassG(), b.Amount.MassG())
		case "difference":
			return cmp.Compare(difference(a), difference(b))
		case "missing":
			return cmp.Compare(len(a.Missing), len(b.Missing))
		}
		return cmp.Compare(a.Tipped().UnixMS, b.Tipped().UnixMS)
	}
	slices.SortStableFunc(s.Consignments, func(a, b *manifest.Consignment) int {
		if down {
			a, b = b, a
		}
		return by(a, b)
	})
}

// FacilityName returns the name of the facility that a consignment went to, its code where the register does not know it.
func FacilityName(c *manifest.Consignment) string { return cmp.Or(c.Receiver.Name, string(c.Facility)) }

// Choice is a value that a filter can have, with what people call it.
type Choice struct{ Value, Name string }

// Choices are what the consignments of a manifest can be filtered by, each in the order of its values.
type Choices struct{ Facilities, Jobs, Clients, Trucks, Codes []Choice }

// ChoicesOf lists what occurs in a manifest.
func ChoicesOf(r *manifest.Report) Choices {
	facilities, jobs, clients, trucks, codes := map[string]string{}, map[string]string{}, map[string]string{}, map[string]string{}, map[string]string{}
	for i := range r.Consignments {
		c := &r.Consignments[i]
		facilities[string(c.Facility)], trucks[string(c.Truck)] = FacilityName(c), strings.TrimSpace(string(c.Truck)+" "+c.TruckName)
		for k := range c.Parts {
			p := &c.Parts[k]
			jobs[string(p.Job)] = strings.TrimSpace(string(p.Job) + " " + p.JobEntry.Name)
			clients[string(p.Client)], codes[p.Spoil.WasteCode] = cmp.Or(p.ClientEntry.Name, string(p.Client)), p.Spoil.WasteCode
		}
	}
	return Choices{listed(facilities), listed(jobs), listed(clients), listed(trucks), listed(codes)}
}

func listed(names map[string]string) []Choice {
	list := []Choice{}
	for value, name := range names {
		if value != "" {
			list = append(list, Choice{value, name})
		}
	}
	slices.SortFunc(list, func(a, b Choice) int { return cmp.Compare(a.Value, b.Value) })
	return list
}
