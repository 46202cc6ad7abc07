package timesplit

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/arithmetic"
)

// timeKey names a line by its truck and its beginning in UTC, whatever offset the
// source's clock showed: "TM-01/2026-10-05T05:00:00.000Z".
func timeKey(truck events.TruckID, from events.Time) string {
	return string(truck) + "/" + events.Time{UnixMS: from.UnixMS}.String()
}

// SliceLine names the line of the table Slices that a slice of a truck has, which [Report.Explain]
// explains. from is the slice's beginning inside the report's period.
func SliceLine(truck events.TruckID, from events.Time) string { return timeKey(truck, from) }

func (s *Shift) key() string { return timeKey(s.Truck, s.From) }

// Explain returns how a line came about. Of the tables Shifts and Slices: which
// entries claimed the time, which rule decided, and how the parts sum to the whole. Of
// Without decanting and If dumps took longer: the trips, and the time they come to. Of
// Work and rest: what was reckoned against the limit.
func (r *Report) Explain(table, key string) (reports.Explanation, bool) {
	switch table {
	case replayTable, cycleTable:
		return r.explainReplay(table, key)
	case workRestTable:
		return r.explainWorkRest(key)
	}
	truck, text, _ := strings.Cut(key, "/")
	at, err := events.ParseTime(text)
	if err != nil || timeKey(events.TruckID(truck), at) != key {
		return reports.Explanation{}, false
	}
	for k := range r.Shifts {
		s := &r.Shifts[k]
		if string(s.Truck) != truck || at.Before(s.From) || !at.Before(s.To) {
			continue
		}
		if table == "Shifts" && s.From.UnixMS == at.UnixMS {
			return r.explainShift(s), true
		}
		for i := range s.Slices {
			if c := &s.Slices[i]; table == "Slices" && c.From.UnixMS == at.UnixMS {
				return r.explainSlice(s, c), true
			}
		}
	}
	return reports.Explanation{}, false
}

// clock writes a time in the period's zone, with no more digits than it needs.
func (r *Report) clock(t events.Time) string {
	local := r.Request.Period.Local(t)
	switch {
	case local.Nanosecond() != 0:
		return local.Format("2006-01-02 15:04:05.000")
	case local.Second() != 0:
		return local.Format(time.DateTime)
	}
	return local.Format("2006-01-02 15:04")
}

// difference is the step that takes the beginning of a time from its end, both
// counted from the shift's start.
func difference(u arithmetic.Ruler, what string, s *Shift, from, to events.Time, cites []uint64) reports.Step {
	return reports.Step{What: what, Arithmetic: u.Number(to.UnixMS-s.From.UnixMS) + " − " + u.Number(from.UnixMS-s.From.UnixMS),
		Result: u.Result(to.UnixMS - from.UnixMS), Cites: cites}
}

func (r *Report) explainShift(s *Shift) reports.Explanation {
	lengths := []int64{s.LengthMS()}
	byActivity := map[events.Activity][]*Slice{}
	sum := int64(0)
	for i := range s.Slices {
		c := &s.Slices[i]
		lengths = append(lengths, c.LengthMS())
		byActivity[c.Activity] = append(byActivity[c.Activity], c)
		sum += c.LengthMS()
	}
	u := arithmetic.RulerFor(lengths...)
	e := reports.Explanation{Report: "timesplit", Table: "Shifts", Key: s.key(), Cites: slices.Clone(s.Positions),
		Says: fmt.Sprintf("The shift of %s that began %s ended %s; %s of it are shown, %s.", s.Truck, r.clock(s.From), r.clock(s.To), reports.Hours(sum), spent(Hours(s.Slices)))}
	e.Rules = append(e.Rules, reports.Rulebook{Rule: "A shift runs from shift.started to shift.ended; time is elapsed time, so a clock change adds and takes nothing.", Source: "common practice"},
		reports.Rulebook{Rule: "Activities never overlap and sum to the shift.", Source: "common practice"})
	if s.Open {
		e.Rules = append(e.Rules, reports.Rulebook{Rule: "A shift without an end ends with its last entry before the next shift begins.", Source: "common practice"})
	}
	e.Steps = append(e.Steps, difference(u, fmt.Sprintf("length, in %s from its start", u.Unit()), s, s.From, s.To, s.Positions))
	parts, total := []int64{}, int64(0)
	for _, a := range events.Activities() {
		list := byActivity[a]
		if len(list) == 0 {
			continue
		}
		terms, ms, cites := []int64{}, int64(0), []uint64{}
		for _, c := range list {
			terms = append(terms, c.LengthMS())
			ms += c.LengthMS()
			cites = append(cites, c.Positions...)
		}
		e.Steps = append(e.Steps, reports.Step{What: string(a) + ", slice by slice", Arithmetic: u.Sum(terms), Result: u.Result(ms), Cites: reports.Union(cites)})
		parts, total = append(parts, ms), total+ms
		e.Cites = append(e.Cites, cites...)
	}
	if len(parts) > 0 {
		e.Steps = append(e.Steps, reports.Step{What: "all activities", Arithmetic: u.Sum(parts), Result: u.Result(total)})
	}
	e.Cites = reports.Union(e.Cites)
	r.useTruck(&e, s)
	return e
}

// useTruck adds the truck as the register had it when the shift began.
func (r *Report) useTruck(e *reports.Explanation, s *Shift) {
	if t, ok := r.journal.Book.Truck(s.Truck, s.From); ok {
		if use, ok := r.journal.Use(events.TruckRegister, string(s.Truck), s.From, t.Name+", "+t.Registration); ok {
			e.Register = append(e.Register, use)
		}
	}
}

// rankNames are the words for the ranks of claims, in their order.
func rankNames() []string {
	return []string{"stopped", "loading", "decanting", "tipping", "refilling", "rest", "standby", "where the truck was"}
}

// lies returns what the shift that a slice lies in was cut by, and the whole shift.
func (r *Report) lies(s *Shift, c *Slice) (Shift, ground) {
	d := r.divisions[s.Truck]
	for k := range d.shifts {
		if whole := &d.shifts[k]; !c.From.Before(whole.From) && c.From.Before(whole.To) {
			return *whole, d.grounds[k]
		}
	}
	return *s, ground{}
}

// covering returns the claims on any part of a slice, the winner first, then by rank
// and start. The last are the places where the truck was.
func (g *ground) covering(c *Slice) []claim {
	list := []claim{}
	for _, group := range [][]claim{g.claims, g.segments} {
		for _, x := range group {
			if x.from.Before(c.To) && c.From.Before(x.to) {
				list = append(list, x)
			}
		}
	}
	slices.SortStableFunc(list, func(a, b claim) int { return a.rank - b.rank })
	at := slices.IndexFunc(list, func(x claim) bool { return !c.From.Before(x.from) })
	if at > 0 {
		winner := list[at]
		list = slices.Insert(slices.Delete(list, at, at+1), 0, winner)
	}
	return list
}

func (x *claim) what() string {
	switch {
	case x.part != "":
		return string(x.part) + " of a full dump"
	case x.cause != "":
		return string(x.activity) + " (" + x.cause + ")"
	}
	return string(x.activity)
}

func (r *Report) explainSlice(s *Shift, c *Slice) reports.Explanation {
	whole, g := r.lies(s, c)
	list := g.covering(c)
	lengths := []int64{c.From.UnixMS - whole.From.UnixMS, c.LengthMS()}
	for i := range list {
		lengths = append(lengths, later(list[i].from, c.From).UnixMS-whole.From.UnixMS, earlier(list[i].to, c.To).UnixMS-whole.From.UnixMS)
	}
	u := arithmetic.RulerFor(lengths...)
	e := reports.Explanation{Report: "timesplit", Table: "Slices", Key: timeKey(s.Truck, c.From), Cites: slices.Clone(c.Positions), Says: r.says(s, c)}
	e.Rules = []reports.Rulebook{
		{Rule: "Where signals overlap, the first of these is counted: " + strings.Join(rankNames()[:baseRank], ", ") +
			", at a facility, on site, travel, unexplained. Of two of the same activity the earlier counts.", Source: "common practice"},
		{Rule: placeRule(c), Source: "common practice"}, {Rule: jobRule(c), Source: "common practice"}}
	for i := range list {
		x := &list[i]
		from, to := later(x.from, c.From), earlier(x.to, c.To)
		verdict := "counted"
		if i > 0 {
			verdict = fmt.Sprintf("not counted: %s comes before %s", rankNames()[list[0].rank], rankNames()[x.rank])
			if x.rank == list[0].rank {
				verdict = "not counted: of two of the same activity the earlier counts"
			}
		}
		e.Steps = append(e.Steps, difference(u, fmt.Sprintf("%s, claimed from %s to %s; here %s", x.what(), r.clock(x.from), r.clock(x.to), verdict), &whole, from, to, x.cites))
		e.Cites = append(e.Cites, x.cites...)
	}
	e.Steps = append(e.Steps, difference(u, "length of the slice, in "+u.Unit()+" from the shift's start at "+r.clock(whole.From), &whole, c.From, c.To, whole.Positions))
	e.Cites = reports.Union(e.Cites, whole.Positions)
	r.useTruck(&e, s)
	return e
}

func (r *Report) says(s *Shift, c *Slice) string {
	what := string(c.Activity)
	if c.Part != "" {
		what += ", " + string(c.Part)
	}
	if c.Cause != "" {
		what += " (" + c.Cause + ")"
	}
	job := "no job"
	if c.Job != "" {
		job = "job " + string(c.Job)
	}
	return fmt.Sprintf("From %s to %s, %s, the time of %s is %s, for %s.", r.clock(c.From), r.clock(c.To), hoursMinutes(c.LengthMS()), s.Truck, what, job)
}

// placeRule says how the activity of a slice is known.
func placeRule(c *Slice) string {
	switch c.Activity {
	case events.Travel:
		return "Time between a departure and the next arrival is travel; the shift's start is a departure, and its end an arrival once the truck has left a site."
	case events.OnSite:
		return "A truck is on site from site.arrived to site.left; where the leaving is missing, until the last entry there."
	case events.FullDump:
		return "A full dump is the haul from the site, the queue before the tip, the tip, the wash-out until leaving, and the return to the next site or the shift's end."
	case events.Unexplained:
		return "Time that no departure and no arrival explain is unexplained, and shown as that."
	case events.Stopped:
		return "A stop runs from the first press to plant.restarted; a reset does not end it."
	case events.Standby, events.Rest:
		return "Standby and rest run from their start to their end; one without an end ends with the next other activity or the shift."
	}
	return "Loads, decants, tips and refills take the time from their start to their end."
}

// jobRule says whose time a slice is.
func jobRule(c *Slice) string {
	switch {
	case c.Activity == events.Travel:
		return "Travel belongs to the job arrived at, the way home to the visit left."
	case c.Activity == events.FullDump:
		return "A full dump belongs to the visit left before it."
	case c.Job == "":
		return "Neither the entry nor a visit names a job."
	}
	return "A slice belongs to the job its entry names, else to the visit's."
}
