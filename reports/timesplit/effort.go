package timesplit

import (
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Effort is what one way of emptying a truck's tank took and gave.
type Effort struct {
	Truck     events.TruckID
	What      string // one of the ways below
	Count     int
	TotalMS   int64
	MedianMS  int64 // nearest rank: the smallest that at least half do not exceed
	P90MS     int64 // nearest rank: the smallest that at least 90 % do not exceed
	ClearedML int64 // decanted as stated, or tipped by the tank's account
	Positions []uint64
}

// The ways of emptying a tank.
const (
	decants   = "decants"
	fullDumps = "full dumps"
)

// ClearedMLPerHour returns the volume cleared for an hour of it, 0 when it took
// no time.
func (e *Effort) ClearedMLPerHour() int64 {
	if e.TotalMS == 0 {
		return 0
	}
	return reports.MulDiv(e.ClearedML, 3_600_000, e.TotalMS)
}

// DumpParts is the time of a truck's full dumps, part by part.
type DumpParts struct {
	Truck     events.TruckID
	Dumps     int
	MS        map[Part]int64
	Positions []uint64
}

// TotalMS sums the parts.
func (p *DumpParts) TotalMS() int64 {
	sum := int64(0)
	for _, part := range Parts() {
		sum += p.MS[part]
	}
	return sum
}

// nearestRank returns the smallest of lengths, in any order, that at least
// percent of them do not exceed; 0 when there are none.
func nearestRank(lengths []int64, percent int) int64 {
	if len(lengths) == 0 {
		return 0
	}
	sorted := slices.Sorted(slices.Values(lengths))
	return sorted[max(1, (len(sorted)*percent+99)/100)-1]
}

// occasion is one decant or one full dump with the time counted for it.
type occasion struct {
	ms        int64
	tips      []uint64
	positions []uint64
}

// occasions groups slices of one activity by a key, in the order of the keys'
// first slices.
func occasions[K comparable](shifts []Shift, activity events.Activity, key func(k int, c *Slice) K) []*occasion {
	list := []*occasion{}
	byKey := map[K]*occasion{}
	for k := range shifts {
		for i := range shifts[k].Slices {
			c := &shifts[k].Slices[i]
			if c.Activity != activity {
				continue
			}
			o := byKey[key(k, c)]
			if o == nil {
				o = &occasion{}
				byKey[key(k, c)] = o
				list = append(list, o)
				if c.Dump >= 0 {
					o.tips = shifts[k].Dumps[c.Dump].Tips
				}
			}
			o.ms += c.LengthMS()
			o.positions = reports.Union(o.positions, c.Positions)
		}
	}
	return list
}

// efforts compares a truck's decants and full dumps, and replays its loads.
func (r *Report) efforts(j *reports.Journal, id events.TruckID, mine, all []Shift, o Options) {
	account := tank.Fold(j, id, o.Tank)
	volume := map[uint64]int64{}
	for i := range account.Decants {
		if e := account.Decants[i].Entry; r.Request.Period.Contains(e.Occurred) {
			volume[e.Positions[0]] = account.Decants[i].VolumeML
		}
	}
	for i := range account.Tips {
		if e := account.Tips[i].Entry; r.Request.Period.Contains(e.Occurred) {
			volume[e.Positions[0]] = account.Tips[i].VolumeML
		}
	}
	drains := occasions(mine, events.Decanting, func(_ int, c *Slice) uint64 { return c.Positions[0] })
	for _, d := range drains {
		d.tips = d.positions[:1]
	}
	dumps := occasions(mine, events.FullDump, func(k int, c *Slice) [2]int { return [2]int{k, c.Dump} })
	if len(drains)+len(dumps) > 0 {
		r.Efforts = append(r.Efforts, effortOf(id, decants, drains, volume), effortOf(id, fullDumps, dumps, volume))
	}
	if len(dumps) > 0 {
		r.Parts = append(r.Parts, partsOf(id, mine, dumps))
	}
	if !r.Narrowed {
		r.replay(j, account, mine, all, dumps)
	}
}

func effortOf(id events.TruckID, what string, list []*occasion, volume map[uint64]int64) Effort {
	e := Effort{Truck: id, What: what, Count: len(list)}
	lengths := make([]int64, len(list))
	for i, o := range list {
		lengths[i] = o.ms
		e.TotalMS += o.ms
		for _, p := range o.tips {
			e.ClearedML += volume[p]
		}
		e.Positions = append(e.Positions, o.positions...)
	}
	e.Positions = reports.Union(e.Positions)
	e.MedianMS, e.P90MS = nearestRank(lengths, 50), nearestRank(lengths, 90)
	return e
}

func partsOf(id events.TruckID, shifts []Shift, dumps []*occasion) DumpParts {
	p := DumpParts{Truck: id, Dumps: len(dumps), MS: map[Part]int64{}}
	for k := range shifts {
		for i := range shifts[k].Slices {
			if c := &shifts[k].Slices[i]; c.Activity == events.FullDump {
				p.MS[c.Part] += c.LengthMS()
			}
		}
	}
	for _, o := range dumps {
		p.Positions = append(p.Positions, o.positions...)
	}
	p.Positions = reports.Union(p.Positions)
	return p
}
