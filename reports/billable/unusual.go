package billable

import (
	"cmp"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// Oddity is something in an invoice that whoever issues it should look at, computed
// from its own lines. Why is a text with places for Args, so that it can be said in
// other languages.
type Oddity struct {
	Key    string // of the line, empty where it is about a day or about no line
	Client events.ClientID
	Job    events.JobID
	Truck  events.TruckID
	Day    string
	Why    string
	Args   []any
}

// leastDays is from how many days on a job's usual time is spoken of.
const leastDays = 4

// Unusual lists what is unusual in the lines: a minimum that applied, standby that is
// charged, a rate of nothing, a tax that was not in force, spoil without a docket, work
// without a price, and days whose time on a job is more than twice or less than half
// the median of the job's other days in the period, where there are four or more.
func (r *Report) Unusual() []Oddity {
	list := []Oddity{}
	for i := range r.Lines {
		l := &r.Lines[i]
		add := func(why string, args ...any) {
			list = append(list, Oddity{l.Key, l.Client, l.Job, l.Truck, l.Day, why, args})
		}
		if l.Kind == ForMinimum {
			add("The minimum applied: %s were added", reports.Hours(l.ChargedMS))
		}
		if l.Kind == ForTime && l.Activity == events.Standby {
			add("Standby is charged: %s", reports.Hours(l.ChargedMS))
		}
		if l.Rate.IsZero() {
			add("The rate is nothing")
		}
		if !l.TaxKnown {
			add("The tax was not in force, so none is reckoned")
		}
		if w := r.traces[l.Key]; l.Kind == ForSpoil && w != nil && w.tip != nil && w.tip.Docket == nil {
			add("No docket has come: the quantity is the account's own")
		}
	}
	for i := range r.Unpriced {
		u := &r.Unpriced[i]
		list = append(list, Oddity{Client: u.Client, Job: u.Job, Truck: u.Truck, Day: r.Request.Period.Day(u.From), Why: "Work without a price: %s", Args: []any{u.Reason}})
	}
	list = append(list, r.farDays()...)
	slices.SortStableFunc(list, func(x, y Oddity) int {
		return cmp.Or(cmp.Compare(x.Client, y.Client), cmp.Compare(x.Job, y.Job), cmp.Compare(x.Day, y.Day), cmp.Compare(x.Truck, y.Truck))
	})
	return list
}

// jobDay is a truck's day on a job.
type jobDay struct {
	client events.ClientID
	job    events.JobID
	truck  events.TruckID
	day    string
}

// farDays lists days whose time is far from the job's other days.
func (r *Report) farDays() []Oddity {
	time, order := map[jobDay]int64{}, []jobDay{}
	for i := range r.Lines {
		l := &r.Lines[i]
		if l.Kind != ForTime {
			continue
		}
		k := jobDay{l.Client, l.Job, l.Truck, l.Day}
		if _, seen := time[k]; !seen {
			order = append(order, k)
		}
		time[k] += l.BilledMS
	}
	list := []Oddity{}
	for _, k := range order {
		others := []int64{}
		for _, o := range order {
			if o != k && o.client == k.client && o.job == k.job {
				others = append(others, time[o])
			}
		}
		if len(others)+1 < leastDays {
			continue
		}
		slices.Sort(others)
		usual := others[len(others)/2]
		if time[k] > 2*usual || 2*time[k] < usual {
			list = append(list, Oddity{Client: k.client, Job: k.job, Truck: k.truck, Day: k.day,
				Why: "The day has %s, where the job's other days have about %s", Args: []any{reports.Hours(time[k]), reports.Hours(usual)}})
		}
	}
	return list
}
