package timesplit

import (
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
)

// Document returns the report as tables and pictures. Every total is the sum of
// the rows above it, and the hours of each shift sum to its length.
func (r *Report) Document() reports.Document {
	d := reports.Document{
		Report: "timesplit", Title: "Time split", Glance: r.glance(),
		Subject:  []reports.Field{{Label: "Work and rest by", Text: r.Rest.Title}},
		Notes:    r.notes(),
		Tables:   []reports.Table{r.truckTable(), r.dayTable(), r.jobTable(), r.effortTable(), r.partTable()},
		Findings: r.Findings,
	}
	d.Tables = append(d.Tables, r.facilityTables()...)
	if !r.Narrowed {
		d.Tables = append(d.Tables, r.replayTable(), r.sensitivityTable(), r.workRestTable())
	}
	d.Tables = append(d.Tables, r.operatorTable(), r.crewTable(), r.shiftTable(), r.outsideTable(), r.sliceTable())
	if !r.Narrowed {
		d.Tables = append(d.Tables, r.tripTable())
	}
	d.Pictures = r.pictures()
	return d
}

func (r *Report) notes() []string {
	notes := []string{
		"Times are elapsed times: an hour that the clock shows twice counts twice, one that it skips not at all.",
		"Where signals overlap, the first of these is counted: stopped, loading, decanting, tipping, refilling, rest, standby, at a facility, on site, travel, unexplained.",
		"A load without an arrival or a leaving does not break the journey that it lies in: the time before and after it is that journey's.",
		"A stop runs from the first press to the restart; a reset does not end it. These are records, not a safety function.",
		"Shifts are cut at the edges of the period: what lies before its start or at and after its end is not in the tables.",
		"A full dump is counted for the job of the visit left before it. Time that no entry explains is shown as unexplained.",
		"Warnings about long work without rest are no certification that the rules that bind the crew were kept.",
	}
	if r.Narrowed {
		notes = append(notes, "Only the time of the jobs asked for is shown, so shifts can be shorter here than they were.")
	}
	return notes
}

// label names a shift in tables and pictures.
func (r *Report) label(s *Shift) string {
	return string(s.Truck) + " " + r.Request.Period.Local(s.From).Format("2006-01-02 15:04")
}

// key turns an activity or part into the key of its column.
func key(word string) string { return strings.ReplaceAll(word, "-", "_") + "_h" }

// title turns an activity or part into the title of its column.
func title(word string) string {
	return strings.ToUpper(word[:1]) + strings.ReplaceAll(word[1:], "-", " ")
}

func activityColumns() []reports.Column {
	cols := []reports.Column{}
	for _, a := range events.Activities() {
		cols = append(cols, reports.DurationColumn(key(string(a)), title(string(a))))
	}
	return cols
}

// activityCells returns the length of a row followed by its hours by activity.
func activityCells(sum map[events.Activity]int64) []reports.Cell {
	cells, total := []reports.Cell{}, int64(0)
	for _, a := range events.Activities() {
		cells = append(cells, reports.N(sum[a]))
		total += sum[a]
	}
	return append([]reports.Cell{reports.N(total)}, cells...)
}

func (r *Report) shiftTable() reports.Table {
	cols := append([]reports.Column{
		reports.TextColumn("truck", "Truck"), reports.TextColumn("operator", "Operator"),
		reports.TextColumn("crew", "Crew"), reports.InstantColumn("from", "From"), reports.InstantColumn("to", "To"),
		reports.YesNoColumn("ended", "End recorded"), reports.DurationColumn("length_h", "Length"),
	}, append(activityColumns(), reports.TextColumn("shift", "Shift").NotPrinted())...)
	rows := []reports.Row{}
	for k := range r.Shifts {
		s := &r.Shifts[k]
		crew := make([]string, len(s.Crew))
		for i, o := range s.Crew {
			crew[i] = string(o)
		}
		cells := append([]reports.Cell{reports.T(string(s.Truck)), reports.T(string(s.Operator)),
			reports.T(strings.Join(crew, ", ")), reports.At(s.From), reports.At(s.To), reports.Yes(!s.Open)},
			activityCells(Hours(s.Slices))...)
		rows = append(rows, reports.Row{Key: s.key(), Cells: append(cells, reports.T(r.label(s))), Cites: s.Positions})
	}
	return reports.Table{Name: "Shifts", Empty: "No truck was on shift in this period.", Title: "Hours of each shift by activity",
		Note: "The activities of a row sum to its length.", Columns: cols, Rows: reports.RowsOf(rows),
		Totals: reports.AddUp(cols, rows), Cited: true}
}

// trucks sums the hours of each truck by activity.
func (r *Report) trucks() map[events.TruckID]map[events.Activity]int64 {
	sums := map[events.TruckID]map[events.Activity]int64{}
	for k := range r.Shifts {
		s := &r.Shifts[k]
		if sums[s.Truck] == nil {
			sums[s.Truck] = map[events.Activity]int64{}
		}
		for activity, ms := range Hours(s.Slices) {
			sums[s.Truck][activity] += ms
		}
	}
	return sums
}

func (r *Report) truckTable() reports.Table {
	cols := append([]reports.Column{reports.TextColumn("truck", "Truck"), reports.CountColumn("shifts", "Shifts"),
		reports.DurationColumn("length_h", "Length")}, activityColumns()...)
	shifts := map[events.TruckID]int64{}
	for k := range r.Shifts {
		shifts[r.Shifts[k].Truck]++
	}
	sums, rows := r.trucks(), []reports.Row{}
	for _, id := range sortedKeys(sums) {
		cells := append([]reports.Cell{reports.T(string(id)), reports.N(shifts[id])}, activityCells(sums[id])...)
		rows = append(rows, reports.Row{Cells: cells})
	}
	return reports.Table{Name: "Trucks", Title: "Hours of each truck by activity", Empty: "No truck was on shift in this period.",
		Note: "The activities of a line sum to its length.", Columns: cols, Rows: reports.RowsOf(rows), Totals: reports.AddUp(cols, rows)}
}

func (r *Report) dayTable() reports.Table {
	cols := append([]reports.Column{reports.DateColumn("day", "Day"),
		reports.DurationColumn("length_h", "Length")}, activityColumns()...)
	byDay := map[string]map[events.Activity]int64{}
	for k := range r.Shifts {
		for i := range r.Shifts[k].Slices {
			c := &r.Shifts[k].Slices[i]
			for _, part := range LocalParts(c.From, c.To, r.Request.Period.Zone, nil) {
				if byDay[part.Day] == nil {
					byDay[part.Day] = map[events.Activity]int64{}
				}
				byDay[part.Day][c.Activity] += part.LengthMS()
			}
		}
	}
	rows := []reports.Row{}
	for _, day := range r.Request.Period.EachDay() {
		rows = append(rows, reports.Row{Cells: append([]reports.Cell{reports.T(day)}, activityCells(byDay[day])...)})
	}
	return reports.Table{Name: "Days", Title: "Hours of each day by activity",
		Note:    "Shifts that pass midnight are divided there. A day without a shift is an explicit zero.",
		Columns: cols, Rows: reports.RowsOf(rows), Totals: reports.AddUp(cols, rows)}
}

func (r *Report) sliceTable() reports.Table {
	cols := []reports.Column{
		reports.TextColumn("truck", "Truck"), reports.InstantColumn("from", "From"), reports.InstantColumn("to", "To"),
		reports.DurationColumn("length_h", "Length"), reports.TextColumn("activity", "Activity"), reports.TextColumn("part", "Part"),
		reports.TextColumn("cause", "Cause"), reports.TextColumn("side", "Side"), reports.TextColumn("job", "Job"),
		reports.InstantColumn("visit", "Visit from").NotPrinted(),
	}
	rows := []reports.Row{}
	for k := range r.Shifts {
		s := &r.Shifts[k]
		for i := range s.Slices {
			c := &s.Slices[i]
			visit := events.Time{}
			if c.Visit >= 0 {
				visit = s.Visits[c.Visit].Arrived
			}
			rows = append(rows, reports.Row{Key: timeKey(s.Truck, c.From), Cites: c.Positions, Cells: []reports.Cell{
				reports.T(string(s.Truck)), reports.At(c.From), reports.At(c.To), reports.N(c.LengthMS()),
				reports.T(string(c.Activity)), reports.T(string(c.Part)), reports.T(c.Cause), reports.T(string(c.Side)),
				reports.T(string(c.Job)), reports.At(visit)}})
		}
	}
	return reports.Table{Name: "Slices", Title: "Every slice of time", Empty: "No truck was on shift in this period.", Backing: true,
		Note: "Slices never overlap and sum to the length of the shifts. The part is that of a full dump; the side is whose cause a stop was.", Columns: cols, Rows: reports.RowsOf(rows),
		Totals: reports.AddUp(cols, rows), Cited: true}
}

func (r *Report) jobTable() reports.Table {
	cols := append([]reports.Column{reports.TextColumn("job", "Job"), reports.DurationColumn("length_h", "Length")}, activityColumns()...)
	byJob := map[events.JobID]map[events.Activity]int64{}
	for k := range r.Shifts {
		for i := range r.Shifts[k].Slices {
			c := &r.Shifts[k].Slices[i]
			if byJob[c.Job] == nil {
				byJob[c.Job] = map[events.Activity]int64{}
			}
			byJob[c.Job][c.Activity] += c.LengthMS()
		}
	}
	rows := []reports.Row{}
	for _, job := range sortedKeys(byJob) {
		name := string(job)
		if job == "" {
			name = "(no job)"
		}
		rows = append(rows, reports.Row{Cells: append([]reports.Cell{reports.T(name)}, activityCells(byJob[job])...)})
	}
	return reports.Table{Name: "Jobs", Empty: "No truck was on shift in this period.", Title: "Hours of each job by activity", Columns: cols, Rows: reports.RowsOf(rows),
		Totals: reports.AddUp(cols, rows)}
}

func (r *Report) outsideTable() reports.Table {
	cols := []reports.Column{
		reports.TextColumn("truck", "Truck"), reports.TextColumn("kind", "Entry"), reports.InstantColumn("from", "From"),
		reports.InstantColumn("to", "To"), reports.TextColumn("job", "Job"), reports.TextColumn("why", "Why it is not counted"),
	}
	rows := []reports.Row{}
	for _, o := range r.Outside {
		rows = append(rows, reports.Row{Cites: o.Positions, Cells: []reports.Cell{reports.T(string(o.Truck)), reports.T(string(o.Kind)),
			reports.At(o.From), reports.At(o.To), reports.T(string(o.Job)), reports.T(o.Why)}})
	}
	return reports.Table{Name: "Outside shifts", Empty: "Every entry of work lies within a shift.", Title: "Entries that no shift accounts for", Columns: cols,
		Rows: reports.RowsOf(rows), Cited: true}
}
