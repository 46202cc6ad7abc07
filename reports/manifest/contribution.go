package manifest

import (
	"cmp"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// part is a contribution before it is known whether it may be shown.
type part struct {
	Contribution
	wanted bool
}

type partKey struct {
	job      events.JobID
	material events.MaterialID
	code     string
	unheld   bool
}

// parts gathers the shares of a tip by job, material and waste code. They sum to the tip exactly: what the
// tank did not hold is a part of its own, and volumes are apportioned.
func (b *builder) parts(a *account, t *tank.Tip) []part {
	index := map[partKey]int{}
	parts := []part{}
	volumes := []int64{}
	of := [][]tank.Share{}
	add := func(p part, volumeML int64, share ...tank.Share) {
		k := partKey{p.Job, p.Material, p.Spoil.WasteCode, p.Unheld}
		i, ok := index[k]
		if !ok {
			i = len(parts)
			index[k] = i
			parts, volumes, of = append(parts, p), append(volumes, 0), append(of, nil)
			parts[i].Amount, parts[i].Cites = Amount{}, nil
		}
		parts[i].Amount = parts[i].Amount.Plus(p.Amount)
		parts[i].Cites = append(parts[i].Cites, p.Cites...)
		volumes[i] += volumeML
		of[i] = append(of[i], share...)
	}
	heldML := int64(0)
	for i := range t.Shares {
		s := &t.Shares[i]
		p := part{Contribution: b.origin(s, t.Entry.Occurred), wanted: b.wants(s.Job, t.Entry.Occurred)}
		add(p, s.VolumeML, *s)
		heldML += s.VolumeML
	}
	if t.UnheldSolidsG != 0 || t.UnheldWaterG != 0 {
		p := part{Contribution: Contribution{Unheld: true, Cites: t.Entry.Positions, Amount: Amount{SolidsG: t.UnheldSolidsG, WaterG: t.UnheldWaterG}}}
		p.wanted = !b.narrowed
		add(p, max(0, t.VolumeML-heldML))
	}
	// The weights are the account's own volumes; apportioning holds them to the
	// tip's volume whatever the last part was rounded to.
	shares, _ := reports.Apportion(t.VolumeML, volumes)
	for i := range parts {
		parts[i].Amount.VolumeML = shares[i]
		parts[i].setTolerance(tank.Together(of[i]))
	}
	sortParts(parts)
	return parts
}

func (c *Contribution) setTolerance(t tank.Tolerance) {
	c.ToleranceG, c.ToleranceML, c.ToleranceSolidsG = t.MassG, t.VolumeML, t.SolidsG
}

// origin looks up whose a share is and how it is classified, as the register had both
// at the tip: that is when the consignment was handed over.
func (b *builder) origin(s *tank.Share, tipped events.Time) Contribution {
	c := Contribution{Job: s.Job, Material: s.Material, Cites: slices.Clone(s.Cites),
		Amount: Amount{SolidsG: s.SolidsG, WaterG: s.WaterG}}
	if job, ok := b.j.Book.Job(s.Job, tipped); ok {
		c.JobEntry, c.Client = job, job.Client
		c.ClientEntry, _ = b.j.Book.Client(job.Client, tipped)
	}
	c.Spoil, _ = b.j.Book.Material(s.Material, tipped)
	return c
}

func sortParts(parts []part) {
	for i := range parts {
		slices.Sort(parts[i].Cites)
		parts[i].Cites = slices.Compact(parts[i].Cites)
	}
	slices.SortStableFunc(parts, func(x, y part) int {
		unheld := 0
		if x.Unheld != y.Unheld {
			unheld = 1
			if y.Unheld {
				unheld = -1
			}
		}
		return cmp.Or(unheld, cmp.Compare(x.Job, y.Job), cmp.Compare(x.Material, y.Material),
			cmp.Compare(x.Spoil.WasteCode, y.Spoil.WasteCode))
	})
}

// apportionDocket divides a docket's net mass by the account's masses.
func apportionDocket(parts []part, netG int64) {
	masses := make([]int64, len(parts))
	for i := range parts {
		masses[i] = parts[i].Amount.MassG()
	}
	shares, left := reports.Apportion(netG, masses)
	if left != 0 {
		return // nothing was accounted for, so nobody's part is known
	}
	for i := range parts {
		parts[i].DocketG = &shares[i]
	}
}

// divide shows the parts asked for and sums the others.
func (c *Consignment) divide(parts []part) {
	clean := false
	for i := range parts {
		p := &parts[i]
		if p.Amount.MassG() > 0 && !p.Unheld && p.Material != "" {
			c.Hazardous = c.Hazardous || p.Spoil.Hazardous
			clean = clean || !p.Spoil.Hazardous
		}
		if p.wanted {
			c.Asked = c.Asked.Plus(p.Amount)
			c.Parts = append(c.Parts, p.Contribution)
			continue
		}
		c.addOther(p)
	}
	c.Mixed = c.Hazardous && clean
}

func (c *Consignment) addOther(p *part) {
	if c.Others == nil {
		c.Others = &Remainder{}
	}
	c.Others.Amount = c.Others.Amount.Plus(p.Amount)
	c.Others.Cites = append(c.Others.Cites, p.Cites...)
	slices.Sort(c.Others.Cites)
	c.Others.Cites = slices.Compact(c.Others.Cites)
	if p.DocketG == nil {
		return
	}
	sum := *p.DocketG
	if c.Others.DocketG != nil {
		sum += *c.Others.DocketG
	}
	c.Others.DocketG = &sum
}
