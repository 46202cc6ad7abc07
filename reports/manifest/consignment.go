package manifest

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Consignment is one tip as a manifest tells it. Amounts are the account's.
type Consignment struct {
	Number           string // the paper note's, else our own: truck, local date, running number of the day
	OwnNumber        bool   // the number is our own
	Key              string // names the consignment in the report: its number, or our own where another has that too
	Day              string // local date of the tip in the period's zone
	Truck            events.TruckID
	TruckName        string
	Plate            string
	Carrier          events.Carrier // zero when the register does not know it
	Driver           events.OperatorID
	DriverName       string // the identifier when the register does not know the name
	Facility         events.FacilityID
	Receiver         events.Facility // zero when the register does not know it
	Known            bool            // the register knows the facility
	Journey          Journey
	Amount           Amount
	Asked            Amount // the part of the jobs asked for; all of it when none was
	Basis            events.Basis
	ToleranceG       int64  // of the account's mass, two standard uncertainties
	ToleranceML      int64  // of its volume
	ToleranceSolidsG int64  // of its solids
	Returned         Amount // what the facility gave back of it, whenever
	ReconcileBy      string // by when a significant discrepancy must be reconciled or reported; "" for none
	DensityG         int64  // g/m3 of what was tipped
	MoisturePPM      *int64
	Parts            []Contribution // by job, material and code; those asked for
	Others           *Remainder     // what belongs to jobs not asked for
	Mixed            bool           // hazardous and other material, those not shown included
	Hazardous        bool           // some of it, those not shown included
	Docket           *Docket
	Decants          []Decant // since the tank was last empty, that hold water of the jobs asked for
	DecantCount      int      // all of them
	Test             *events.FreeLiquidsTest
	Heel             Amount // what stayed in the tank
	Missing          []Missing
	Cites            []uint64 // the tip and its corrections

	at    events.Time
	start events.Time
	own   string // our own number
	tip   *tank.Tip
	of    *account
}

// Contribution is what one job gave to a consignment of one material.
type Contribution struct {
	Job         events.JobID
	Client      events.ClientID
	Material    events.MaterialID
	JobEntry    events.Job      // zero when the register does not know it
	ClientEntry events.Client   // zero when the register does not know it
	Spoil       events.Material // zero when the register does not know it
	Amount      Amount
	// Two standard uncertainties of its mass, its volume and its solids.
	ToleranceG, ToleranceML, ToleranceSolidsG int64
	DocketG                                   *int64 // its part of the docket's net mass, by the account's mass
	Unheld                                    bool   // more was tipped than the tank held: nobody's
	Cites                                     []uint64
}

// Remainder is the part of a consignment that belongs to jobs not asked for.
type Remainder struct {
	Amount  Amount
	DocketG *int64
	Cites   []uint64
}

// Docket is the weighbridge result of a consignment.
type Docket struct {
	Number      string
	WeighedAt   events.Time
	GrossG      *int64
	TareG       *int64
	NetG        int64
	AccountG    int64 // what it is held against: the account's mass less ReturnedG
	ReturnedG   int64 // what the facility had given back when it weighed
	DifferenceG int64 // net less account
	// DifferencePPM is the difference over the account's mass; nil when the
	// account has none.
	DifferencePPM *int64
	Significant   bool  // by SignificantDiscrepancy
	ToleranceG    int64 // of the two weighings, two standard uncertainties
	Unexplained   bool  // the instruments do not explain the difference
	EnMilli       int64 // difference over the combined tolerance, thousandths
	Cites         []uint64
}

// Decant is water drained from the tank before a tip.
type Decant struct {
	At       events.Time
	Job      events.JobID // at whose site; "" when not recorded or not asked for
	Outfall  events.OutfallID
	Name, To string // the outfall's, "" when the register does not know it
	Consent  string // "" when none is recorded
	VolumeML int64  // as stated
	SolidsG  int64
	AskedML  int64 // water of the jobs asked for
	Cites    []uint64
}

// Describe returns the distinct texts of the shown parts, joined.
func (c *Consignment) Describe(of func(*Contribution) string) string {
	texts := []string{}
	for i := range c.Parts {
		if t := of(&c.Parts[i]); t != "" && !slices.Contains(texts, t) {
			texts = append(texts, t)
		}
	}
	if c.Others != nil {
		texts = append(texts, "others")
	}
	return strings.Join(texts, "; ")
}

// account is what a truck's fold gives, with what the manifest looks up in it.
type account struct {
	*tank.Account
	journeys []Journey      // by index into Tips
	loads    map[uint64]int // index into Loads, by the position of the entry
	numbers  []string       // by index into Tips
	drivers  []events.OperatorID
}

func (b *builder) account(id events.TruckID) *account {
	a := &account{Account: tank.Fold(b.j, id, b.o.Tank), loads: map[uint64]int{}}
	for i := range a.Loads {
		a.loads[a.Loads[i].Entry.Positions[0]] = i
	}
	a.journeys, a.drivers = journeys(b.j.Entries(id))
	a.numbers = b.numbers(a)
	return a
}

// numbers gives each tip without a paper note's number our own. The running number
// counts the truck's tips of the local day in the order in which they occurred, so
// a narrower period or filter does not change it.
func (b *builder) numbers(a *account) []string {
	numbers := make([]string, len(a.Tips))
	count := map[string]int{}
	for i := range a.Tips {
		e := a.Tips[i].Entry
		day := strings.ReplaceAll(b.q.Period.Day(e.Occurred), "-", "")
		count[day]++
		numbers[i] = string(a.Truck) + "-" + day + "-" + strconv.Itoa(count[day])
	}
	return numbers
}

// consignments adds those of the truck that were asked for and returns the indices
// of their tips.
func (b *builder) consignments(a *account) []int {
	listed := []int{}
	for i := range a.Tips {
		if !b.q.Period.Contains(a.Tips[i].Entry.Occurred) {
			continue
		}
		c, asked := b.consignment(a, i)
		if !asked {
			continue
		}
		b.r.Consignments = append(b.r.Consignments, c)
		listed = append(listed, i)
	}
	return listed
}

// consignment tells tip i; asked is false when none of it belongs to the jobs
// asked for.
func (b *builder) consignment(a *account, i int) (c Consignment, asked bool) {
	t := &a.Tips[i]
	e := t.Entry
	body, _ := e.Body.(events.SpoilTipped)
	c = Consignment{Number: cmp.Or(strings.TrimSpace(body.Consignment), a.numbers[i]), Day: b.q.Period.Day(e.Occurred),
		OwnNumber: strings.TrimSpace(body.Consignment) == "", Truck: a.Truck, Facility: t.Facility, Journey: a.journeys[i],
		Amount: Amount{t.SolidsG, t.WaterG, t.VolumeML}, Basis: t.Basis, ToleranceG: t.ToleranceG,
		ToleranceML: t.ToleranceML, ToleranceSolidsG: t.ToleranceSolidsG, Returned: Amount{t.Returned.SolidsG, t.Returned.WaterG, t.Returned.VolumeML}, DensityG: t.DensityGPerM3(),
		Test: body.FreeLiquidsTest, DecantCount: len(t.Decants), Cites: e.Positions, at: e.Occurred, start: body.Start,
		own: a.numbers[i], tip: t, of: a}
	if ppm, ok := t.MoisturePPM(); ok {
		c.MoisturePPM = &ppm
	}
	heel := t.Heel.Summary()
	c.Heel = Amount{heel.SolidsG, heel.WaterG, heel.VolumeML}
	b.carriage(&c, a, i)
	c.Receiver, c.Known = b.j.Book.Facility(t.Facility, e.Occurred)
	parts := b.parts(a, t)
	if t.Docket != nil {
		c.Docket = docketOf(t)
		c.ReconcileBy = c.dueDate(b.o.ReconcileDays)
		apportionDocket(parts, t.Docket.NetG)
	}
	c.divide(parts)
	if b.narrowed && len(c.Parts) == 0 {
		return c, false
	}
	b.receive(&c, parts)
	b.decants(&c, a, t)
	return c, true
}

// carriage fills in who carried it.
func (b *builder) carriage(c *Consignment, a *account, i int) {
	at := a.Tips[i].Entry.Occurred
	truck, ok := b.j.Book.Truck(a.Truck, at)
	if ok {
		c.TruckName, c.Plate = truck.Name, truck.Registration
		c.Carrier, _ = b.j.Book.Carrier(truck.Carrier, at)
	}
	c.Driver = a.drivers[i]
	c.DriverName = string(c.Driver)
	if o, known := b.j.Book.Operator(c.Driver, at); known {
		c.DriverName = o.Name
	}
}

func docketOf(t *tank.Tip) *Docket {
	d := &Docket{Number: t.Docket.Number, WeighedAt: t.Docket.WeighedAt, NetG: t.Docket.NetG,
		AccountG: t.Docket.AccountG, ReturnedG: t.Docket.ReturnedG, EnMilli: t.Docket.EnMilli, Unexplained: t.Docket.Unexplained, ToleranceG: t.Docket.ToleranceG,
		DifferenceG: t.Docket.DifferenceG, Cites: t.Docket.Entry.Positions}
	if body, ok := t.Docket.Entry.Body.(events.DocketReceived); ok {
		d.GrossG, d.TareG = body.GrossG, body.TareG
	}
	if d.AccountG > 0 {
		ppm := reports.MulDiv(d.DifferenceG, 1_000_000, d.AccountG)
		d.DifferencePPM = &ppm
	}
	d.Significant = SignificantDiscrepancy(d.AccountG, d.NetG)
	return d
}

// decants cites what was drained from the tank since it was last empty. Under a
// filter only water of the jobs asked for is cited, and no other job's site.
func (b *builder) decants(c *Consignment, a *account, t *tank.Tip) {
	for _, i := range t.Decants {
		d := &a.Decants[i]
		asked, shown := int64(0), !b.narrowed
		for k := range d.Shares {
			if s := &d.Shares[k]; b.wants(s.Job, d.Entry.Occurred) {
				asked += s.WaterG
				shown = true
			}
		}
		if !shown {
			continue
		}
		line := Decant{At: d.Entry.Occurred, Outfall: d.Outfall, VolumeML: d.VolumeML, SolidsG: d.SolidsG,
			AskedML: asked, Cites: d.Entry.Positions}
		if b.wants(d.Entry.Job, d.Entry.Occurred) {
			line.Job = d.Entry.Job
		}
		if o, ok := b.j.Book.Outfall(d.Outfall, d.Entry.Occurred); ok {
			line.Name, line.To, line.Consent = o.Name, o.To, o.Consent
		}
		c.Decants = append(c.Decants, line)
	}
}

func sortConsignments(cs []Consignment) {
	slices.SortStableFunc(cs, func(x, y Consignment) int {
		return cmp.Or(cmp.Compare(x.at.UnixMS, y.at.UnixMS), cmp.Compare(x.Truck, y.Truck),
			cmp.Compare(x.Number, y.Number))
	})
}
