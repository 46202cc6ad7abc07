package timesplit

import (
	"fmt"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/arithmetic"
	"spoilbook/reports/workrest"
)

// The names of the tables of sums whose lines can be explained.
const (
	replayTable   = "Without decanting"
	cycleTable    = "If dumps took longer"
	workRestTable = "Work and rest"
)

// cycleKey names a line of the table in which the length of a full dump varies.
func cycleKey(truck events.TruckID, percent int64) string {
	return fmt.Sprintf("%s/%d", truck, percent)
}

// explainReplay says what decanting saved a truck, at a full dump's own length or at
// another.
func (r *Report) explainReplay(table, key string) (reports.Explanation, bool) {
	for i := range r.Replays {
		p := &r.Replays[i]
		if table == replayTable && key == string(p.Truck) {
			return r.replayed(p, table, key, 100), true
		}
		for _, percent := range cyclePercents() {
			if table == cycleTable && key == cycleKey(p.Truck, percent) {
				return r.replayed(p, table, key, percent), true
			}
		}
	}
	return reports.Explanation{}, false
}

func (r *Report) replayed(p *Replay, table, key string, percent int64) reports.Explanation {
	cycleMS := reports.MulDiv(p.CycleMS, percent, 100)
	e := reports.Explanation{Report: "timesplit", Table: table, Key: key, Cites: slices.Clone(p.Positions),
		Says: fmt.Sprintf("Decanting saved %s %s and, with a full dump of %s, %s.", p.Truck, reports.Counted(p.SavedTrips(), "trip"), reports.Hours(cycleMS), reports.Hours(p.SavedAtMS(cycleMS)))}
	e.Rules = []reports.Rulebook{
		{Rule: "The loads are replayed with the decants as recorded and with none. The tank is emptied whole whenever the next load would not fit or would pass the permitted gross less tare and fresh water, " +
			"and at the end when the last load was tipped.", Source: "common practice"},
		{Rule: "What decanting saved is the difference of the trips, each of one full dump, less the time spent decanting.", Source: "common practice"},
		{Rule: "One full dump: " + p.CycleFrom + ".", Source: "the events, or the truck in the register"}}
	counts, order := map[TripLimit]int{}, []TripLimit{ByVolume, ByPayload, ByBoth, EndOfLoads}
	for _, t := range p.Trips {
		counts[t.Limit]++
		e.Steps = append(e.Steps, r.tripStep(&t))
	}
	terms := []string{}
	for _, limit := range order {
		terms = append(terms, fmt.Sprint(counts[limit]))
	}
	e.Steps = append(e.Steps,
		reports.Step{What: "trips without decanting, limited by volume, payload, both, and at the end of the loads", Arithmetic: strings.Join(terms, " + "), Result: fmt.Sprint(p.PlainTrips) + " trips"},
		reports.Step{What: "trips saved: those less the trips with the decants", Arithmetic: fmt.Sprintf("%d − %d", p.PlainTrips, p.DecantTrips), Result: fmt.Sprint(p.SavedTrips()) + " trips"})
	if percent != 100 {
		e.Steps = append(e.Steps, reports.Step{What: "one full dump, in ms", Arithmetic: fmt.Sprintf("round(%d × %d ÷ 100)", p.CycleMS, percent), Result: fmt.Sprint(cycleMS) + " ms"})
	}
	u := arithmetic.RulerFor(cycleMS, p.DecantMS)
	e.Steps = append(e.Steps, reports.Step{What: "time saved: trips × full dump − time spent decanting, in " + u.Unit(),
		Arithmetic: fmt.Sprintf("(%d) × %s − %s", p.SavedTrips(), u.Number(cycleMS), u.Number(p.DecantMS)), Result: u.Result(p.SavedAtMS(cycleMS))})
	if use, ok := r.journal.Use(events.TruckRegister, string(p.Truck), r.Request.Period.From, r.limits(p.Truck)); ok {
		e.Register = append(e.Register, use)
	}
	return e
}

// limits writes what a truck may hold, as the register had it when the period began.
func (r *Report) limits(id events.TruckID) string {
	t, _ := r.journal.Book.Truck(id, r.Request.Period.From)
	return fmt.Sprintf("debris tank %d L, tare %d kg, permitted gross %d kg", t.DebrisCapacityL, t.TareKg, t.PermittedGrossKg)
}

// tripStep reckons the limit that a trip was made for.
func (r *Report) tripStep(t *Trip) reports.Step {
	what := fmt.Sprintf("a trip before the load of %s, by %s: ", r.clock(t.At), t.Limit)
	switch t.Limit {
	case EndOfLoads:
		return reports.Step{What: "a trip after the last load, with so many millilitres", Arithmetic: fmt.Sprint(t.VolumeML), Result: fmt.Sprint(t.VolumeML) + " mL", Cites: t.Positions}
	case ByPayload:
		return reports.Step{What: what + "grams too heavy", Arithmetic: fmt.Sprintf("%d + %d − %d", t.MassG, t.NextMassG, t.PayloadG),
			Result: fmt.Sprint(t.MassG+t.NextMassG-t.PayloadG) + " g", Cites: t.Positions}
	}
	return reports.Step{What: what + "millilitres too much", Arithmetic: fmt.Sprintf("%d + %d − %d", t.VolumeML, t.NextVolumeML, t.CapacityML),
		Result: fmt.Sprint(t.VolumeML+t.NextVolumeML-t.CapacityML) + " mL", Cites: t.Positions}
}

func (w *WorkRest) key() string { return w.Person + "/" + w.Worst.Limit.Name }

// explainWorkRest sums what was reckoned against a limit, day by day.
func (r *Report) explainWorkRest(key string) (reports.Explanation, bool) {
	n := slices.IndexFunc(r.WorkRest, func(w WorkRest) bool { return w.key() == key })
	if n < 0 {
		return reports.Explanation{}, false
	}
	w := &r.WorkRest[n]
	s := &w.Worst
	e := reports.Explanation{Report: "timesplit", Table: workRestTable, Key: key, Cites: s.Cites,
		Says: fmt.Sprintf("%s: %s of %s, from %s to %s; the limit is %s. A warning and no certification.", w.Person, reports.Hours(s.MS), s.Limit.Says,
			r.clock(s.From), r.clock(s.To), reports.Hours(s.Limit.MaxMS)),
		Rules: []reports.Rulebook{{Rule: fmt.Sprintf("At most %s of %s.", reports.Hours(s.Limit.MaxMS), s.Limit.Says), Source: r.Rest.Source},
			{Rule: "The operator of a shift drives its travel, haul and return; all else but recorded rest is work, and so is a rest too short to count.", Source: "common practice"},
			{Rule: "Not checked: " + r.Rest.NotChecked + ".", Source: r.Rest.Source}}}
	lengths := []int64{s.MS}
	for _, p := range s.Parts {
		lengths = append(lengths, p.MS, p.From.UnixMS-s.From.UnixMS)
	}
	u := arithmetic.RulerFor(lengths...)
	if s.Limit.Of == workrest.Span {
		e.Steps = append(e.Steps, reports.Step{What: "from coming on duty to the end of the last driving, in " + u.Unit(), Arithmetic: u.Number(s.MS) + " − 0", Result: u.Result(s.MS), Cites: s.Cites})
	} else {
		e.Steps = append(e.Steps, r.daySteps(u, s)...)
	}
	e.Steps = append(e.Steps, reports.Step{What: "margin: the limit less what was measured", Arithmetic: u.Number(s.Limit.MaxMS) + " − " + u.Number(s.MS), Result: u.Result(s.MarginMS())})
	return e, true
}

// daySteps sums the parts of a stretch by the day on which they began, and the days.
func (r *Report) daySteps(u arithmetic.Ruler, s *workrest.Stretch) []reports.Step {
	days, byDay, cites, words := []string{}, map[string][]int64{}, map[string][]uint64{}, map[string][]string{}
	for _, p := range s.Parts {
		if p.MS == 0 {
			continue
		}
		day := r.Request.Period.Day(p.From)
		if byDay[day] == nil {
			days = append(days, day)
		}
		byDay[day] = append(byDay[day], p.MS)
		cites[day] = append(cites[day], p.Cites...)
		words[day] = append(words[day], []string{"rest too short to count", "work", "driving"}[p.Kind])
	}
	steps, sums := []reports.Step{}, []int64{}
	for _, day := range days {
		sum := int64(0)
		for _, ms := range byDay[day] {
			sum += ms
		}
		sums = append(sums, sum)
		steps = append(steps, reports.Step{What: day + ", in " + u.Unit() + ": " + strings.Join(words[day], ", "), Arithmetic: u.Sum(byDay[day]), Result: u.Result(sum), Cites: reports.Union(cites[day])})
	}
	if len(sums) == 0 {
		sums = []int64{0}
	}
	return append(steps, reports.Step{What: "measured", Arithmetic: u.Sum(sums), Result: u.Result(s.MS)})
}
