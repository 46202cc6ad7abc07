package stops

import (
	"fmt"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
)

// Document returns the register as tables.
func (r *Report) Document() reports.Document {
	presses, open, alone, down := 0, 0, 0, int64(0)
	for i := range r.Stops {
		presses += len(r.Stops[i].Presses)
		ms, ok := r.Stops[i].DowntimeMS()
		if down += ms; !ok {
			open++
		}
	}
	for _, e := range r.Events {
		if e.Stop < 0 {
			alone++
		}
	}
	return reports.Document{
		Report: "stops", Title: "Emergency stops",
		Glance: []reports.Field{
			{Label: "Emergency stops", Text: reports.Counted(len(r.Stops), "stop") + ", " + reports.Decimal(int64(presses), 0, 0) + " pressed"},
			{Label: "Downtime", Text: reports.Hours(down)},
			{Label: "Without a restart on record", Text: fmt.Sprint(open)},
			{Label: "Resets and restarts of no stop", Text: fmt.Sprint(alone)},
			{Label: "Caution", Text: "a record, not a safety function; the manufacturer and local rules come first"},
		},
		Notes:    r.notes(),
		Tables:   []reports.Table{r.stopTable(), r.truckTable(), r.sideTable(), r.stationTable(), r.eventTable()},
		Findings: r.Findings,
	}
}

func (r *Report) notes() []string {
	notes := []string{
		"This is a record, not a safety function: it stops nothing and permits nothing. Defer to the manufacturer, local rules and licensed people.",
		"Press, reset and restart are three events. A reset permits a restart and is not one (Machinery Directive 2006/42/EC, annex I, 1.2.4.3). Downtime runs from the first press to the restart.",
		"A stop pressed again before it was restarted is one stop; a reset before the last press is void.",
		"A stop without a restart on record has no downtime here. The time split counts it until its shift ended.",
		"A stop belongs to the period in which it was first pressed, and to the job of that press. The side is unknown unless every press of the stop says the same.",
		"After a stop, nobody restarts the plant before its cause is known and people are clear of it.",
	}
	if r.Narrowed {
		notes = append(notes, "Only stops of the jobs asked for are listed; one that names no job belongs to none.")
	}
	return notes
}

// label names a stop in tables.
func (r *Report) label(s *Stop) string {
	return string(s.Truck) + " " + r.Request.Period.Local(s.From).Format("2006-01-02 15:04")
}

// lacks says what the record of a stop does not hold.
func (s *Stop) lacks() string {
	list := []string{}
	if s.Cause == "" {
		list = append(list, "cause")
	}
	if s.Reset == nil {
		list = append(list, "reset")
	} else if !s.Inspected() {
		list = append(list, "inspection before the reset")
	}
	if s.Restart == nil {
		list = append(list, "restart")
	}
	return strings.Join(list, ", ")
}

func stationNames(list []events.StopStation) string {
	names := make([]string, len(list))
	for i, s := range list {
		names[i] = string(s)
	}
	return strings.Join(names, ", ")
}

func (r *Report) stopTable() reports.Table {
	cols := []reports.Column{
		reports.TextColumn("truck", "Truck"), reports.TextColumn("job", "Job"), reports.TextColumn("station", "Station"),
		reports.TextColumn("cause", "Cause"), reports.TextColumn("side", "Side"), reports.InstantColumn("pressed", "Pressed"),
		reports.InstantColumn("reset", "Reset"), reports.TextColumn("reset_by", "Reset by"),
		reports.YesNoColumn("inspected", "Inspected before the reset"), reports.TextColumn("reset_note", "What was found"),
		reports.InstantColumn("restarted", "Restarted"), reports.TextColumn("restarted_by", "Restarted by"),
		reports.DurationColumn("downtime_h", "Downtime"), reports.TextColumn("lacks", "Not on record"),
		reports.TextColumn("operator", "Pressed by").NotPrinted(), reports.CountColumn("presses", "Presses").NotPrinted(),
		reports.DurationColumn("to_reset_h", "Press to reset").NotPrinted(), reports.DurationColumn("to_restart_h", "Reset to restart").NotPrinted(),
		reports.TextColumn("stop", "Stop").NotPrinted(),
	}
	rows := []reports.Row{}
	for i := range r.Stops {
		s := &r.Stops[i]
		cells := []reports.Cell{reports.T(string(s.Truck)), reports.T(string(s.Job)), reports.T(stationNames(s.Stations)),
			reports.T(s.Cause), reports.T(string(s.Side)), reports.At(s.From)}
		cells = append(cells, s.resetCells()...)
		cells = append(cells, s.restartCells()...)
		cells = append(cells, reports.T(s.lacks()), reports.T(string(s.Operator)), reports.N(int64(len(s.Presses))))
		cells = append(cells, s.partCells()...)
		rows = append(rows, reports.Row{Key: s.key(), Cells: append(cells, reports.T(r.label(s))), Cites: s.Cites})
	}
	return reports.Table{Name: stopTableName, Title: "Emergency stops", Note: "A record, not a safety function: it stops nothing and permits nothing.",
		Empty: "No emergency stop is on record.", Columns: cols, Rows: reports.RowsOf(rows), Totals: reports.AddUp(cols, rows), Cited: true}
}

// partCells are the parts of the downtime: to the reset, and from it to the restart.
func (s *Stop) partCells() []reports.Cell {
	cells := []reports.Cell{reports.Blank(), reports.Blank()}
	toReset, ok := s.ToResetMS()
	if !ok {
		return cells
	}
	cells[0] = reports.N(toReset)
	if down, ok := s.DowntimeMS(); ok {
		cells[1] = reports.N(down - toReset)
	}
	return cells
}

// resetCells are when the stop was reset, by whom, and what they say they saw.
func (s *Stop) resetCells() []reports.Cell {
	if s.Reset == nil {
		return []reports.Cell{reports.Blank(), reports.Blank(), reports.Blank(), reports.Blank()}
	}
	note := ""
	if b, ok := s.Reset.Body.(events.EmergencyStopReset); ok {
		note = b.Note
	}
	return []reports.Cell{reports.At(s.Reset.Occurred), reports.T(string(s.Reset.Operator)), reports.Yes(s.Inspected()), reports.T(note)}
}

// restartCells are when the plant ran again, by whom, and how long it stood.
func (s *Stop) restartCells() []reports.Cell {
	ms, ok := s.DowntimeMS()
	if !ok {
		return []reports.Cell{reports.Blank(), reports.Blank(), reports.Blank()}
	}
	return []reports.Cell{reports.At(s.Restart.Occurred), reports.T(string(s.Restart.Operator)), reports.N(ms)}
}

// told returns what an entry says happened, where, and its cause or note.
func told(e *reports.Entry) (what, station, note string) {
	switch b := e.Body.(type) {
	case events.EmergencyStopPressed:
		return "pressed", string(b.Station), b.Cause
	case events.EmergencyStopReset:
		if b.Inspected {
			return "inspected and reset", "", b.Note
		}
		return "reset", "", b.Note
	case events.PlantRestarted:
		return "restarted", "", ""
	}
	return "", "", ""
}

// eventTable lists every press, reset and restart: nothing on record is left out.
func (r *Report) eventTable() reports.Table {
	cols := []reports.Column{
		reports.InstantColumn("at", "At"), reports.TextColumn("truck", "Truck"), reports.TextColumn("event", "Event"),
		reports.TextColumn("station", "Station"), reports.TextColumn("stop", "Of the stop"), reports.TextColumn("operator", "Operator"),
		reports.TextColumn("job", "Job"), reports.TextColumn("note", "Cause or note"), reports.TextColumn("origin", "Written down by"),
	}
	rows := []reports.Row{}
	for _, v := range r.Events {
		e := v.Entry
		what, station, note := told(e)
		of := "none"
		if v.Stop >= 0 {
			of = r.label(&r.Stops[v.Stop])
		}
		rows = append(rows, reports.Row{Key: e.Ref().String(), Cites: e.Positions, Cells: []reports.Cell{reports.At(e.Occurred), reports.T(string(e.Truck)),
			reports.T(what), reports.T(station), reports.T(of), reports.T(string(e.Operator)), reports.T(string(e.Job)), reports.T(note),
			reports.T(string(e.Origin))}})
	}
	return reports.Table{Name: eventTableName, Title: "Every press, reset and restart",
		Note:    "A reset or restart of no stop on record stands alone: the press that is missing may come late.",
		Columns: cols, Rows: reports.RowsOf(rows), Cited: true, Backing: true}
}
