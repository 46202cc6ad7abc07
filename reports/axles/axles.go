// Package axles works out what a truck and its axles weighed on the road, from what
// the account says its tanks held: by statics, from where each load lies.
//
// A truck stands on two supports, its front and its rear axle or axle group. A mass
// P at a distance a before the rear support, with the supports a wheelbase WB apart,
// adds P a/WB to the front and the rest to the rear; a load behind the rear support
// has a negative a, and lifts the front. For example a truck with 6800 kg in front
// and 8200 kg behind when empty and a wheelbase of 5.2 m, with 9000 kg of slurry 1.1 m
// before the rear support, stands on
//
//	front  6800 + 9000 x 1.1/5.2 =  8703.8 kg
//	rear   8200 + the other part = 15 296.2 kg
//
// With 8500, 16 000 and 25 000 kg permitted in front, behind and in all, at most
// 8036 kg could have been loaded there: the front governs, long before the gross. What
// is left to a limit is shown in whole kilograms rounded down, so that room never
// reads too large and an excess, which is negative, never too small.
//
// Site work is not road: a truck may stand on site with more than it may carry away
// and decant before it leaves. So findings are made of journeys alone.
//
// All of it is advice. The account's masses have tolerances, slurry moves, springs
// and lifting axles share loads in their own way. A weighbridge decides.
package axles

import (
	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Rule selects what axles are held against beside the register.
type Rule string

// The rules.
const (
	Permitted Rule = ""       // the permitted masses of the register alone
	USBridge  Rule = "bridge" // the US bridge formula too, see [BridgeLimitLB]
)

// DefaultGroupMM is 96 inches, up to which axles count as one group under US law.
const DefaultGroupMM = 2438

// Options selects how the report is made. The zero value is the usual one.
type Options struct {
	Rule    Rule
	GroupMM int64 // axles no further apart than this are one support; 0 is DefaultGroupMM
	Tank    tank.Options
}

// Report is what trucks weighed in a period.
type Report struct {
	Request  reports.Request
	Position uint64 // the last ledger position covered
	Rule     Rule
	Narrowed bool // a job or a client was asked for: days, which all jobs share, are left out
	Trips    []Trip
	Loads    []Load
	Days     []Day
	Trucks   []Truck
	Findings []reports.Finding

	journal *reports.Journal
	groupMM int64
}

// Weight is what a truck weighed at some moment. The axles' figures are there when
// Why is empty, otherwise Why says why they are not; Known is false when the register
// did not have the truck at all.
type Weight struct {
	At                             events.Time
	DebrisG, FreshG, DebrisML      int64
	Known                          bool
	TareG, GrossG, PermittedGrossG int64
	Why                            string
	DebrisAtMM, FreshAtMM          int64 // where the contents act
	FrontG, RearG                  int64 // to the nearest gram; they sum to the gross
	FrontMarginG, RearMarginG      int64 // to the permitted masses, rounded down: see [Beam.Margins]
	Beam                           Beam
	Axles                          []AxleMass // every axle of the register, from the front
	Cites                          []uint64   // the entry that changed the tanks last

	truck events.TruckID
	fills []fill // all that went into and out of the tanks up to then
}

// Trip is a journey by road. Left or Reached is zero when it is not on record; the
// weight is the largest gross on the way.
type Trip struct {
	Truck         events.TruckID
	Job           events.JobID
	Left, Reached events.Time
	From, To      string
	Weight        Weight
	Cites         []uint64

	key  string   // of the entry that begins it
	left []uint64 // the departure's positions
}

// At returns when the truck left, or else when it arrived.
func (t *Trip) At() events.Time {
	if t.Left.IsZero() {
		return t.Reached
	}
	return t.Left
}

// Load is a truck after a load, with the room left in it.
type Load struct {
	Entry   *reports.Entry // of the journal; not to be changed
	Weight  Weight
	Room    Room
	HasRoom bool // Room could be worked out

	volume volumeRoom
	key    string // its line's name
}

// volumeRoom is what the room by the volume was worked out with.
type volumeRoom struct {
	material       events.MaterialID
	capacityL      int64
	densityKgPerM3 int64
	assumed        bool // the register has no slurry density of the material
}

// Day is the moment of a local day at which a truck had the largest gross.
type Day struct {
	Date   string
	Truck  events.TruckID
	At     events.Time
	Weight Weight
}

// Truck is a truck as the register has it at its last entry in the period.
type Truck struct {
	ID  events.TruckID
	At  events.Time
	Doc events.Truck
	Why string // why its axles are not worked out, "" when they are

	beam Beam
}

// Compute works out the journeys, loads and days of the period asked for.
func Compute(j *reports.Journal, q reports.Request, o Options) *Report {
	if o.GroupMM <= 0 {
		o.GroupMM = DefaultGroupMM
	}
	o.Tank.OmitMovements = false
	r := &Report{Request: q, Position: j.Position, Rule: o.Rule, Narrowed: q.Filter.Job != "" || q.Filter.Client != "", journal: j, groupMM: o.GroupMM}
	for _, id := range q.Trucks(j) {
		w := newWalk(j, q, o, r, id)
		entries := j.Entries(id)
		for i := range entries {
			w.step(&entries[i])
		}
		w.finish()
	}
	r.order()
	return r
}
