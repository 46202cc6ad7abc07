package care

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/arithmetic"
)

// The names of the tables, all of whose lines can be explained.
const (
	sumTableName    = "Trucks and tasks"
	dayTableName    = "Days"
	rowTableName    = "Care due"
	itemTableName   = "Pre-start faults"
	recordTableName = "Care records"
	ruleTableName   = "Rules"
)

// nameRows names the rows: day, truck, task and, where a task is due several times a
// day, when it became due. Of several with all that the same the second ends in /2.
func (r *Report) nameRows() {
	taken := map[string]int{}
	for i := range r.Rows {
		w := &r.Rows[i]
		k := w.Day + "/" + string(w.Truck) + "/" + string(w.Rule.Task)
		if w.State != NotDue && (w.Rule.When == BeforeWork || w.Rule.When == AfterUnload) {
			k += "/" + events.Time{UnixMS: w.From.UnixMS}.String()
		}
		if taken[k]++; taken[k] > 1 {
			k += fmt.Sprintf("/%d", taken[k])
		}
		w.key = k
	}
}

func (it *Item) key() string { return it.Check.Ref().String() + "/" + itemKey(it.Name) }

func (r *Rule) key() string { return string(r.Task) + "/" + string(r.When) }

// Explain returns how a line came about: of a task what made it due, by when, where its
// record was looked for and how late it was; of a record what was read against which
// limits; of a fault when the truck worked with it; of a sum the tasks it counts.
func (r *Report) Explain(table, key string) (reports.Explanation, bool) {
	x := &exposition{r: r, Explanation: reports.Explanation{Report: "care", Table: table, Key: key}}
	switch table {
	case rowTableName:
		for i := range r.Rows {
			if r.Rows[i].key == key {
				x.row(&r.Rows[i])
			}
		}
	case sumTableName:
		x.sum((*sum).taskKey, taskName, dayOf, "day by day")
	case dayTableName:
		x.sum((*sum).dayKey, dayOf, taskName, "task by task")
	case itemTableName:
		for i := range r.Items {
			if r.Items[i].key() == key {
				x.item(&r.Items[i])
			}
		}
	case recordTableName:
		for i := range r.Records {
			if r.Records[i].key == key {
				x.record(&r.Records[i])
			}
		}
	case ruleTableName:
		for i := range r.Options.Rules {
			if rule := &r.Options.Rules[i]; rule.key() == key {
				x.Says = fmt.Sprintf("%s is due %s.", rule.Task, rule.When)
				x.due(rule)
			}
		}
	}
	if x.Says == "" {
		return reports.Explanation{}, false
	}
	x.Follow(ownRule, "This is a record, not a safety function; that it is complete does not say that the plant is safe. Defer to the manufacturer, local rules and licensed people.")
	x.Gather()
	return x.Explanation, true
}

// exposition gathers the explanation of one line.
type exposition struct {
	reports.Explanation
	r *Report
}

const (
	ownRule  = "this program's rule"
	practice = "common practice"
)

func (x *exposition) due(rule *Rule) {
	x.Follow(rule.Basis, string(rule.Task)+", "+string(rule.When)+": "+rule.When.meaning()+".")
}

// clock writes a time in the period's zone, with no more digits than it needs.
func (x *exposition) clock(t events.Time) string {
	local := x.r.Request.Period.Local(t)
	switch {
	case local.Nanosecond() != 0:
		return local.Format("2006-01-02 15:04:05.000")
	case local.Second() != 0:
		return local.Format(time.DateTime)
	}
	return local.Format("2006-01-02 15:04")
}

// apart reckons the time from one moment to another, both as they were after the
// midnight before from, so that a reader can take them from the clock.
func (x *exposition) apart(what string, to, from events.Time, cites ...uint64) {
	p := x.r.Request.Period
	day := p.Local(from)
	midnight := events.TimeOf(reports.StartOfDay(day.Year(), day.Month(), day.Day(), p.Zone)).UnixMS
	u := arithmetic.RulerFor(to.UnixMS-midnight, from.UnixMS-midnight)
	x.Reckon(fmt.Sprintf("%s, in %s since %s", what, u.Unit(), p.Local(events.Time{UnixMS: midnight}).Format("2006-01-02 15:04")),
		u.Number(to.UnixMS-midnight)+" − "+u.Number(from.UnixMS-midnight), u.Result(to.UnixMS-from.UnixMS), cites...)
}

// row explains a task on one occasion.
func (x *exposition) row(w *Row) {
	x.Gather(w.Cites...)
	x.due(&w.Rule)
	x.Follow(ownRule, "Care belongs to shifts as the time split cuts them; shifts that began on one local date are one day. What is recorded up to "+hoursMinutes(x.r.Options.LeadMS)+
		" before a shift belongs to it, unless the shift before was still on.")
	if w.State == NotDue {
		x.Says = fmt.Sprintf("%s was not due on %s on %s: %s.", w.Rule.Task, w.Truck, w.Day, w.Why)
		return
	}
	x.Says = fmt.Sprintf("%s on %s, %s, was due from %s and by %s (%s). ", w.Rule.Task, w.Truck, w.Day, x.clock(w.From), x.clock(w.DueBy), w.Why)
	until := "without an end"
	if w.hi != forever {
		until = "until " + x.clock(w.hi)
	}
	x.apart("time there was: due by less due from", w.DueBy, w.From)
	switch {
	case w.Done == nil:
		x.Says += fmt.Sprintf("No record of it was found from %s %s: %s.", x.clock(w.lo), until, w.State)
	default:
		x.Says += fmt.Sprintf("The first record from %s %s is of %s: %s.", x.clock(w.lo), until, x.clock(w.Done.Occurred), w.State)
		x.apart("done less due by; above zero it is late", w.Done.Occurred, w.DueBy, w.Done.Positions...)
	}
	switch w.State {
	case Missed:
		x.Follow(ownRule, "A task without a record is missed; where a truck's last shift has no end on record it is still due. That nothing was written down does not say that nothing was done.")
	case Late:
		x.Follow(ownRule, "Lateness is counted from when the task was due to when it was done, across midnight too.")
	}
	if w.Detail != "" && w.State != Late {
		x.Says += " Remark: " + w.Detail + "."
	}
	x.truck(w.Truck, w.From)
}

func (x *exposition) truck(id events.TruckID, at events.Time) {
	if t, ok := x.r.journal.Book.Truck(id, at); ok {
		x.Read(x.r.journal, events.TruckRegister, string(id), at, t.Name+", number plate "+t.Registration)
	}
}

// sum explains the counts of a truck and what of says, each by the parts that by says.
func (x *exposition) sum(key func(*sum) string, of, by func(*Row) string, how string) {
	parts, order, all := map[string]*count{}, []string{}, count{}
	cites := map[State][]uint64{}
	for i := range x.r.Rows {
		w := &x.r.Rows[i]
		s := sum{truck: w.Truck, what: of(w)}
		if key(&s) != x.Key {
			continue
		}
		k := by(w)
		if parts[k] == nil {
			parts[k] = &count{}
			order = append(order, k)
		}
		parts[k].add(w)
		all.add(w)
		cites[w.State] = append(cites[w.State], w.Cites...)
		x.due(&w.Rule)
	}
	if len(order) == 0 {
		return
	}
	x.Says = fmt.Sprintf("%s: %s due, of them %d done in time, %d late, %d missed and %d still due.", strings.Replace(x.Key, "/", ", ", 1), reports.Counted(all.due(), "task"), all.done, all.late, all.missed, all.open)
	for _, c := range []struct {
		state State
		what  string
		of    func(*count) int64
	}{{Done, "done in time", func(n *count) int64 { return n.done }}, {Late, "late", func(n *count) int64 { return n.late }},
		{Missed, "missed", func(n *count) int64 { return n.missed }}, {Due, "still due", func(n *count) int64 { return n.open }},
		{NotDue, "not due", func(n *count) int64 { return n.notDue }}} {
		terms := []string{}
		for _, k := range order {
			terms = append(terms, fmt.Sprint(c.of(parts[k])))
		}
		x.Reckon(c.what+", "+how+": "+strings.Join(order, ", "), strings.Join(terms, " + "), fmt.Sprint(c.of(&all)), cites[c.state]...)
	}
	x.Reckon("due: done in time, late, missed and still due", fmt.Sprintf("%d + %d + %d + %d", all.done, all.late, all.missed, all.open), fmt.Sprint(all.due()))
}

// item explains an item that a pre-start check found not in order.
func (x *exposition) item(it *Item) {
	x.Says = fmt.Sprintf("The check of %s on %s found %q not in order (%s).", x.clock(it.Check.Occurred), it.Check.Truck, it.Name, cmp.Or(it.Note, "no note"))
	x.Gather(it.Check.Positions...)
	x.Follow(practice, "What a pre-start check finds is put right by somebody competent before the truck works.")
	x.Follow(ownRule, "An item is recognised from check to check by its name, whatever its capitals and spaces. It is in order again when a later check says so and no line of that check says otherwise.")
	if it.Worked != nil {
		from, _ := it.Worked.Interval()
		x.Says += fmt.Sprintf(" The truck worked from %s (%s).", x.clock(from), it.Worked.Kind())
		x.apart("from the check to the first work after it", from, it.Check.Occurred, append(append([]uint64{}, it.Check.Positions...), it.Worked.Positions...)...)
	}
	if it.Right != nil {
		x.Says += fmt.Sprintf(" The check of %s found it in order.", x.clock(it.Right.Occurred))
		x.apart("from the check to the one that found it in order", it.Right.Occurred, it.Check.Occurred, append(append([]uint64{}, it.Check.Positions...), it.Right.Positions...)...)
	} else {
		x.Says += " No later check found it in order."
	}
	x.truck(it.Check.Truck, it.Check.Occurred)
}
