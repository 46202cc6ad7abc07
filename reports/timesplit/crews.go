package timesplit

import (
	"cmp"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/workrest"
)

// driving reports whether a truck's operator drives during a slice. The others
// aboard work: what they sit through is work to the rules.
func (s *Slice) driving() bool {
	return s.Activity == events.Travel || s.Activity == events.FullDump && (s.Part == Haul || s.Part == Return)
}

// person names somebody of a truck's crew. Shifts that name no operator are kept
// apart by truck, for they may be two people's.
type person struct {
	id    events.OperatorID
	truck events.TruckID // where id is empty
}

func (p person) text() string {
	if p.id == "" {
		return "(not named) " + string(p.truck)
	}
	return string(p.id)
}

func comparePersons(a, b person) int {
	return cmp.Or(cmp.Compare(a.id, b.id), cmp.Compare(a.truck, b.truck))
}

// aboard returns who was on a shift: its operator first, then the others.
func (s *Shift) aboard() []person {
	driver := person{id: s.Operator}
	if s.Operator == "" {
		driver.truck = s.Truck
	}
	list := []person{driver}
	for _, id := range s.Crew {
		if p := (person{id: id}); id != "" && !slices.Contains(list, p) {
			list = append(list, p)
		}
	}
	return list
}

// roster holds the duties of everybody, over all shifts known.
type roster map[person][]workrest.Duty

// add notes what everybody did on a whole shift. Slices of the same kind that follow
// each other are one duty.
func (r roster) add(s *Shift) {
	for n, p := range s.aboard() {
		first := len(r[p])
		for i := range s.Slices {
			c := &s.Slices[i]
			kind := workrest.Work
			switch {
			case c.Activity == events.Rest:
				kind = workrest.Rest
			case n == 0 && c.driving():
				kind = workrest.Driving
			}
			if last := len(r[p]) - 1; last >= first && r[p][last].Kind == kind {
				r[p][last].To = c.To
				continue
			}
			r[p] = append(r[p], workrest.Duty{Kind: kind, From: c.From, To: c.To, Truck: s.Truck, Cites: s.Positions})
		}
	}
}

// WorkRest is how close one person's time came to one limit.
type WorkRest struct {
	Person string // the operator, or "(not named) TM-01"
	workrest.Line
}

// workRest holds everybody's time against the rules, for stretches that touch the
// period.
func (r *Report) workRest(people roster) {
	for _, p := range slices.SortedFunc(mapKeys(people), comparePersons) {
		lines, over := r.Rest.Lines(workrest.Person{ID: p.id, Duties: people[p]}, r.Request.Period)
		for _, l := range lines {
			r.WorkRest = append(r.WorkRest, WorkRest{Person: p.text(), Line: l})
		}
		for i := range over {
			s := &over[i]
			r.Findings = append(r.Findings, reports.NewFinding(reports.WorkWithoutRest, s.Trucks[0], s.From, r.journal.Cited(s.Cites),
				"%s: %s of %s, from %s; the limit is %s (%s, from %s); a warning and no certification", p.text(), hoursMinutes(s.MS),
				s.Limit.Says, moment(s.From), hoursMinutes(s.Limit.MaxMS), r.Rest.Title, r.Rest.Source))
		}
	}
}

// Hands is the time that one person spent aboard.
type Hands struct {
	Person       string
	DriverShifts int
	CrewShifts   int
	DriverMS     int64 // on shifts that the person drove
	CrewMS       int64 // on shifts of others
	DrivingMS    int64 // at the wheel: travel, haul and return
	RestMS       int64
	Positions    []uint64
}

// hands sums the time of everybody aboard the shifts shown.
func (r *Report) hands() []Hands {
	sums := map[person]*Hands{}
	for k := range r.Shifts {
		s := &r.Shifts[k]
		for n, p := range s.aboard() {
			h := sums[p]
			if h == nil {
				h = &Hands{Person: p.text()}
				sums[p] = h
			}
			h.Positions = append(h.Positions, s.Positions...)
			if n == 0 {
				h.DriverShifts++
			} else {
				h.CrewShifts++
			}
			for i := range s.Slices {
				h.count(&s.Slices[i], n == 0)
			}
		}
	}
	out := []Hands{}
	for _, p := range slices.SortedFunc(mapKeys(sums), comparePersons) {
		sums[p].Positions = reports.Union(sums[p].Positions)
		out = append(out, *sums[p])
	}
	return out
}

func (h *Hands) count(c *Slice, driver bool) {
	ms := c.LengthMS()
	switch {
	case !driver:
		h.CrewMS += ms
	default:
		h.DriverMS += ms
		if c.driving() {
			h.DrivingMS += ms
		}
	}
	if c.Activity == events.Rest {
		h.RestMS += ms
	}
}

// operatorTable divides the shifts' hours by the operator who drove, so that its sums
// are the trucks' own.
func (r *Report) operatorTable() reports.Table {
	cols := append([]reports.Column{reports.TextColumn("operator", "Operator"), reports.CountColumn("shifts", "Shifts"),
		reports.DurationColumn("length_h", "Length")}, activityColumns()...)
	sums, shifts, cites := map[person]map[events.Activity]int64{}, map[person]int64{}, map[person][]uint64{}
	for k := range r.Shifts {
		s := &r.Shifts[k]
		p := s.aboard()[0]
		if sums[p] == nil {
			sums[p] = map[events.Activity]int64{}
		}
		shifts[p]++
		cites[p] = append(cites[p], s.Positions...)
		for activity, ms := range Hours(s.Slices) {
			sums[p][activity] += ms
		}
	}
	rows := []reports.Row{}
	for _, p := range slices.SortedFunc(mapKeys(sums), comparePersons) {
		cells := append([]reports.Cell{reports.T(p.text()), reports.N(shifts[p])}, activityCells(sums[p])...)
		rows = append(rows, reports.Row{Cells: cells, Cites: reports.Union(cites[p])})
	}
	return reports.Table{Name: "Operators", Title: "Hours of each operator's shifts by activity", Empty: "No truck was on shift in this period.",
		Note:    "By who drove the shift, so these are the trucks' hours; the others aboard are in Crews.",
		Columns: cols, Rows: reports.RowsOf(rows), Totals: reports.AddUp(cols, rows), Cited: true}
}

func (r *Report) crewTable() reports.Table {
	cols := []reports.Column{reports.TextColumn("person", "Person"), reports.CountColumn("driver_shifts", "Shifts as driver"),
		reports.CountColumn("crew_shifts", "Shifts as crew"), reports.DurationColumn("driver_h", "Aboard as driver"),
		reports.DurationColumn("crew_h", "Aboard as crew"), reports.DurationColumn("aboard_h", "Aboard"),
		reports.DurationColumn("driving_h", "At the wheel"), reports.DurationColumn("rest_h", "Rest recorded")}
	rows := []reports.Row{}
	for _, h := range r.hands() {
		rows = append(rows, reports.Row{Cites: h.Positions, Cells: []reports.Cell{reports.T(h.Person), reports.N(int64(h.DriverShifts)),
			reports.N(int64(h.CrewShifts)), reports.N(h.DriverMS), reports.N(h.CrewMS), reports.N(h.DriverMS + h.CrewMS), reports.N(h.DrivingMS), reports.N(h.RestMS)}})
	}
	return reports.Table{Name: "Crews", Title: "Hours of everybody aboard", Empty: "No truck was on shift in this period.",
		Note:    "Hours of people, not of trucks: two aboard for an hour are two hours. A rest is counted for all aboard.",
		Columns: cols, Rows: reports.RowsOf(rows), Totals: reports.AddUp(cols, rows), Cited: true}
}

// workRestTable shows every limit with what came closest to it.
func (r *Report) workRestTable() reports.Table {
	single := func(c reports.Column) reports.Column { c.Total = false; return c }
	cols := []reports.Column{reports.TextColumn("person", "Person"), reports.TextColumn("limit", "Limit of"),
		single(reports.DurationColumn("limit_h", "Limit")), single(reports.DurationColumn("measured_h", "Measured")),
		single(reports.DurationColumn("margin_h", "Margin")), reports.TextColumn("state", "State"), reports.InstantColumn("from", "From"),
		reports.InstantColumn("to", "To"), reports.TextColumn("trucks", "Trucks"), reports.CountColumn("stretches", "Stretches"),
		reports.CountColumn("over", "Beyond the limit")}
	rows := []reports.Row{}
	for i := range r.WorkRest {
		l := &r.WorkRest[i]
		s := &l.Worst
		state := "within"
		switch {
		case s.Over():
			state = "beyond"
		case s.MarginMS() == 0:
			state = "at the limit"
		}
		trucks := make([]string, len(s.Trucks))
		for n, id := range s.Trucks {
			trucks[n] = string(id)
		}
		rows = append(rows, reports.Row{Key: l.key(), Cites: s.Cites, Cells: []reports.Cell{reports.T(l.Person), reports.T(s.Limit.Says),
			reports.N(s.Limit.MaxMS), reports.N(s.MS), reports.N(s.MarginMS()), reports.T(state), reports.At(s.From), reports.At(s.To),
			reports.T(strings.Join(trucks, ", ")), reports.N(int64(l.Stretches)), reports.N(int64(l.Over))}})
	}
	partial := ""
	if truck := r.Request.Filter.Truck; truck != "" {
		partial = " Only the shifts of " + string(truck) + " are reckoned; people may have worked on other trucks."
	}
	return reports.Table{Name: workRestTable, Title: "Work and rest against " + r.Rest.Title, Empty: "Nobody was on shift in this period.",
		Note: "Each line shows the stretch that came closest to the limit or furthest beyond it. Source: " + r.Rest.Source + ". The operator of a shift drives its travel, haul and return; " +
			"all else but recorded rest is work, and so is a rest too short to count. Not checked: " + r.Rest.NotChecked + "." + partial + " A warning, and no certification that the rules which bind the crew were kept.",
		Columns: cols, Rows: reports.RowsOf(rows), Totals: reports.AddUp(cols, rows), Cited: true}
}
