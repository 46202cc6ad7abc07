package manifest

import (
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// Parcel is what one load gave to a consignment: from the site into the tank, less what left the tank
// before the tip, to the facility.
type Parcel struct {
	Job      events.JobID // "" for what is nobody's
	Material events.MaterialID
	Loaded   events.Time // zero where no load brought it, such as water that only a gauge showed
	Method   string      // how the phases of the load were known; "" where no load brought it
	Brought  Amount      // the whole load
	Given    Amount      // what the consignment has of it
	// Two standard uncertainties of the mass and the volume given.
	ToleranceG, ToleranceML int64
	Cites                   []uint64 // the load, or what else brought it, and its corrections
}

// Drained is a decant between the loads of a consignment and its tip.
type Drained struct {
	Decant
	TakenG   int64 // of the parcels that the consignment has a share of, solids and water
	TakenML  int64
	WithinML int64 // two standard uncertainties of VolumeML
	Held     Amount
}

// Chain is the way of a consignment through the tank. Amounts are the account's.
type Chain struct {
	Parcels []Parcel // oldest first; what they gave and Unheld sum to the consignment
	Drained []Drained
	Before  Amount // the tank before the tip
	Heel    Amount // what stayed in it
	Unheld  Amount // tipped beyond what the tank held
}

// Chain returns how a consignment came from its sites to the facility. It names every job, so it is
// for those who may see all of them.
func (c *Consignment) Chain() Chain {
	t := c.tip
	chain := Chain{Before: Amount{t.Before.SolidsG, t.Before.WaterG, t.Before.VolumeML}, Heel: c.Heel,
		Unheld: Amount{SolidsG: t.UnheldSolidsG, WaterG: t.UnheldWaterG, VolumeML: t.VolumeML}}
	mine := map[uint64]bool{}
	for i := range t.Shares {
		s := &t.Shares[i]
		p := Parcel{Job: s.Job, Material: s.Material, Given: Amount{s.SolidsG, s.WaterG, s.VolumeML}, ToleranceG: s.ToleranceG, ToleranceML: s.ToleranceML, Cites: s.Cites}
		if k, ok := c.of.loads[s.Position]; ok {
			l := &c.of.Loads[k]
			_, p.Loaded = l.Entry.Interval()
			p.Method, p.Brought = string(l.Method), Amount{l.SolidsG, l.WaterG, l.VolumeML}
		}
		chain.Unheld.VolumeML -= s.VolumeML
		mine[s.Position] = true
		chain.Parcels = append(chain.Parcels, p)
	}
	for _, i := range t.Decants {
		d := &c.of.Decants[i]
		line := Drained{Decant: c.decantAt(d.Entry), WithinML: d.ToleranceML, Held: Amount{d.After.SolidsG, d.After.WaterG, d.After.VolumeML}}
		for k := range d.Shares {
			if s := &d.Shares[k]; mine[s.Position] {
				line.TakenG += s.MassG()
				line.TakenML += s.VolumeML
			}
		}
		chain.Drained = append(chain.Drained, line)
	}
	return chain
}

// decantAt returns the decant of an entry as the consignment cites it.
func (c *Consignment) decantAt(e *reports.Entry) Decant {
	i := slices.IndexFunc(c.Decants, func(d Decant) bool { return d.Cites[0] == e.Positions[0] })
	if i < 0 {
		return Decant{At: e.Occurred, Cites: e.Positions}
	}
	return c.Decants[i]
}

// Rests returns the ledger positions of everything that the consignment rests on, in ascending order.
func (c *Consignment) Rests() []uint64 { return c.citesOf() }

// AwaitsDocket reports whether a docket should come and has not.
func (c *Consignment) AwaitsDocket() bool { return c.Docket == nil && c.expectsDocket() }

// Tipped returns when the tip occurred, by which the consignment belongs to a period.
func (c *Consignment) Tipped() events.Time { return c.at }

// Found returns the findings of the report that are about the consignment or anything it rests on.
func (r *Report) Found(c *Consignment, findings []reports.Finding) []reports.Finding {
	rests := map[uint64]bool{}
	for _, p := range c.citesOf() {
		rests[p] = true
	}
	for i := range c.Decants {
		for _, p := range c.Decants[i].Cites {
			rests[p] = true
		}
	}
	found := []reports.Finding{}
	for _, f := range findings {
		if len(f.Cites) > 0 && rests[f.Cites[0]] {
			found = append(found, f)
		}
	}
	return found
}

// Accepts reports whether a facility's permit lists a waste code. Spaces and the asterisk that marks a
// hazardous code do not tell codes apart.
func Accepts(f events.Facility, code string) bool {
	return slices.ContainsFunc(f.AcceptedCodes, func(listed string) bool { return plainCode(listed) == plainCode(code) })
}
