package paper_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/cells"
	"spoilbook/reports/paper"
	"spoilbook/reports/register"
)

// book is a register of one truck, one job and one of everything else.
func book() *register.Book {
	from := events.MustTime("2026-01-01T00:00:00.000Z")
	var recs []events.Recorded
	add := func(key string, d events.Document) {
		recs = append(recs, events.Recorded{Position: uint64(len(recs) + 1), Event: events.Event{Body: events.RegisterRevised{Key: key, EffectiveFrom: from, Author: "x", Document: d}}})
	}
	add("TM-01", events.Truck{Name: "Big Heron"})
	add("TM-02", events.Truck{Name: "Little Heron"})
	add("OP-1", events.Operator{Name: "Orla"})
	add("OP-2", events.Operator{Name: "Tomas"})
	add("J-1", events.Job{Name: "Mill Lane", Material: "M-CLAY"})
	add("J-2", events.Job{Name: "Loom Court"})
	add("M-CLAY", events.Material{Description: "clay"})
	add("F-1", events.Facility{Name: "Gorse", WeighbridgeIntervalKg: 20})
	add("W-1", events.WaterSource{Name: "standpipe", Meter: "SP-1"})
	add("O-1", events.Outfall{Name: "lagoon"})
	return register.NewBook(recs)
}

var noon = events.MustTime("2026-10-05T12:00:00.000+01:00")

// filled is a form as a workbook, which tests fill in.
type filled struct {
	t  *testing.T
	wb *cells.Workbook
}

func fill(t *testing.T, form *cells.Form) *filled {
	t.Helper()
	f := &filled{t, &cells.Workbook{}}
	for _, s := range form.Sheets {
		sheet := cells.Sheet{Name: s.Name}
		for _, row := range s.Rows {
			list := make([]cells.Cell, 14)
			for c := range row {
				list[c] = row[c].Cell
			}
			sheet.Rows = append(sheet.Rows, list)
		}
		f.wb.Sheets = append(f.wb.Sheets, sheet)
	}
	return f
}

func newDay(t *testing.T) *filled {
	return fill(t, paper.Day(book(), noon, paper.Prefill{Truck: "TM-01", Date: "2026-10-05", Zone: "Europe/Dublin"}))
}

func newDockets(t *testing.T) *filled {
	return fill(t, paper.Dockets(book(), noon, paper.Prefill{Zone: "Europe/Dublin"}))
}

func text(s string) cells.Cell { return cells.Cell{Kind: cells.Text, Text: s} }

// find returns where a field of the head, or a line's cell under a heading, is.
func (f *filled) find(code, heading string) (row, column int) {
	f.t.Helper()
	s := &f.wb.Sheets[0]
	for r := range s.Rows {
		for c := range s.Rows[r] {
			said := s.At(r+1, c+1).Says()
			if code == "" && said == heading {
				return r + 1, c + 2
			}
			if code == "" || c > 0 || said != code {
				continue
			}
			for above := r; above > 0; above-- {
				if s.At(above, 1).Says() != "No." {
					continue
				}
				for column := range s.Rows[above-1] {
					if s.At(above, column+1).Says() == heading {
						return r + 1, column + 1
					}
				}
				f.t.Fatalf("%s has no %s", code, heading)
			}
		}
	}
	f.t.Fatalf("the form has no %s %s", code, heading)
	return 0, 0
}

// put writes into a cell: text, or a cell.
func (f *filled) put(code, heading string, v any) *filled {
	f.t.Helper()
	row, column := f.find(code, heading)
	c, ok := v.(cells.Cell)
	if !ok {
		c = text(v.(string))
	}
	f.wb.Sheets[0].Rows[row-1][column-1] = c
	return f
}

var tips = []paper.Tip{
	{Ref: events.Ref{Source: "/truck/TM-01", ID: "t-1"}, Truck: "TM-01", Facility: "F-1", Start: events.MustTime("2026-10-05T10:00:00.000+01:00"), End: events.MustTime("2026-10-05T10:10:00.000+01:00")},
	{Ref: events.Ref{Source: "/truck/TM-01", ID: "t-2"}, Truck: "TM-01", Facility: "F-1", Start: events.MustTime("2026-10-05T11:30:00.000+01:00"), End: events.MustTime("2026-10-05T11:40:00.000+01:00")},
	{Ref: events.Ref{Source: "/truck/TM-01", ID: "t-3"}, Truck: "TM-01", Facility: "F-1", Start: events.MustTime("2026-10-05T17:00:00.000+01:00"), End: events.MustTime("2026-10-05T17:10:00.000+01:00")},
}

func (f *filled) read() ([]paper.Line, error) {
	return paper.Read(f.wb, paper.Options{Book: book(), Zones: time.LoadLocation, Zone: "Europe/Dublin", Tips: tips})
}

func (f *filled) lines() []paper.Line {
	f.t.Helper()
	list, err := f.read()
	if err != nil {
		f.t.Fatal(err)
	}
	return list
}

// wrong wants just one problem, at a cell, that says something.
func (f *filled) wrong(code, heading, says string) {
	f.t.Helper()
	_, err := f.read()
	var p *cells.Problems
	if !errors.As(err, &p) {
		f.t.Fatalf("want a problem with %q, found %v", says, err)
	}
	row, column := f.find(code, heading)
	if len(p.List) != 1 || p.List[0].Cell != cells.Ref(row, column) || !strings.Contains(p.List[0].String(), says) {
		f.t.Errorf("want one problem in %s with %q, found:\n%v", cells.Ref(row, column), says, p)
	}
}

func at(day, clock string) events.Time {
	return events.MustTime("2026-10-" + day + "T" + clock + ":00.000+01:00")
}

func ml(v int64, b events.Basis) *events.Volume { return &events.Volume{VolumeML: v, Basis: b} }

func TestDaySheet(t *testing.T) {
	f := newDay(t).put("", "Driver", "OP-1 · Orla").put("", "Crew 1", "OP-2").put("", "Shift from", cells.Cell{Kind: cells.Moment, Text: "0.2916666666666667"}).put("", "Shift to", "16:30")
	f.put("L1", "From", "8:10").put("L1", "To", "08:35").put("L1", "Job", "J-1 · Mill Lane").put("L1", "Slurry (m³)", cells.Cell{Kind: cells.Number, Text: "2.4000000000000004"}).put("L1", "Jetting water (L)", "900")
	f.put("D2", "From", "9:00").put("D2", "To", "9:15").put("D2", "Outfall", "O-1").put("D2", "Water (L)", "1200,5").put("D2", "pH", "7,2").put("D2", "Basis (blank: measured)", "assumed")
	f.put("T1", "From", "10:00").put("T1", "To", "10:12").put("T1", "Facility", "F-1").put("T1", "Arrived", "9:50").put("T1", "Share of the tank (%)", "62.5").put("T1", "Free liquids test passed", "no")
	f.put("R1", "From", "10:30").put("R1", "To", "10:45").put("R1", "Water source", "W-1").put("R1", "Meter before (m³)", "512").put("R1", "Meter after (m³)", "514.4").put("R1", "Backflow device", "air gap")
	f.put("W1", "From", "11:00").put("W1", "To", "11:05").put("W1", "Purpose", "washing").put("W1", "Water (L)", "150").put("W1", "Into the debris tank", "yes")
	f.put("A1", "From", "11:10").put("A1", "To", "11:40").put("A1", "What", "standby").put("A1", "Cause of standby", "awaiting client").put("A1", "Note", "gate  shut")
	f.put("S1", "Pressed", "12:00").put("S1", "Where", "rear").put("S1", "Reset", "12:05").put("S1", "Looked over first", "yes").put("S1", "Restarted", "12:07")
	ph, portion, before, after := int64(720), int64(625_000), int64(512_000_000), int64(514_400_000)
	want := []struct {
		id, label string
		at        events.Time
		job       events.JobID
		body      events.Body
	}{
		{"20261005-1-shift-from", "Shift from", at("05", "07:00"), "", events.ShiftStarted{Crew: []events.OperatorID{"OP-2"}}},
		{"20261005-1-shift-to", "Shift to", at("05", "16:30"), "", events.ShiftEnded{}},
		{"20261005-1-L1", "L1", at("05", "08:35"), "J-1", events.LoadCollected{Start: at("05", "08:10"), End: at("05", "08:35"), Material: "M-CLAY", SlurryVolume: ml(2_400_000, events.Measured), JettingWater: ml(900_000, events.Measured)}},
		{"20261005-1-D2", "D2", at("05", "09:15"), "", events.WaterDecanted{Start: at("05", "09:00"), End: at("05", "09:15"), Outfall: "O-1", Volume: *ml(1_200_500, events.Assumed), PHHundredths: &ph}},
		{"20261005-1-T1-arrived", "T1", at("05", "09:50"), "", events.FacilityArrived{Facility: "F-1"}},
		{"20261005-1-T1", "T1", at("05", "10:12"), "", events.SpoilTipped{Start: at("05", "10:00"), End: at("05", "10:12"), Facility: "F-1", PortionPPM: portion, FreeLiquidsTest: &events.FreeLiquidsTest{Method: "paint filter"}}},
		{"20261005-1-R1", "R1", at("05", "10:45"), "", events.WaterRefilled{Start: at("05", "10:30"), End: at("05", "10:45"), WaterSource: "W-1", MeterStartML: &before, MeterEndML: &after, BackflowDevice: events.AirGap}},
		{"20261005-1-W1", "W1", at("05", "11:05"), "", events.WaterUsed{Start: at("05", "11:00"), End: at("05", "11:05"), Purpose: events.ForWashing, Volume: *ml(150_000, events.Measured), IntoDebrisTank: true}},
		{"20261005-1-A1-from", "A1", at("05", "11:10"), "", events.StandbyStarted{Cause: events.AwaitingClient, Note: "gate shut"}},
		{"20261005-1-A1-to", "A1", at("05", "11:40"), "", events.StandbyEnded{}},
		{"20261005-1-S1", "S1", at("05", "12:00"), "", events.EmergencyStopPressed{Station: events.StationRear}},
		{"20261005-1-S1-reset", "S1", at("05", "12:05"), "", events.EmergencyStopReset{Inspected: true}},
		{"20261005-1-S1-restarted", "S1", at("05", "12:07"), "", events.PlantRestarted{}},
	}
	lines := f.lines()
	if len(lines) != len(want) {
		t.Fatalf("%d lines, want %d: %+v", len(lines), len(want), lines)
	}
	for i, w := range want {
		l := lines[i]
		e := events.Event{ID: w.id, Source: "/office/paper-TM-01", Occurred: w.at, Truck: "TM-01", Operator: "OP-1", Job: w.job, Origin: events.FromOffice, Body: w.body}
		if fmt.Sprintf("%+v", show(l.Event)) != fmt.Sprintf("%+v", show(e)) || l.Label != w.label || l.Sheet != "Day sheet" || l.Cell == "" {
			t.Errorf("line %s in %s is\n%+v, want\n%+v", l.Label, l.Cell, show(l.Event), show(e))
		}
	}
}

// show follows pointers, for comparing and printing.
func show(e events.Event) string {
	tell := paper.Teller{Say: fmt.Sprintf, Measures: reports.Metric(), Zone: time.UTC}
	text := fmt.Sprintf("%s %s %s %s %s %s %s %T %s", e.ID, e.Source, e.Occurred, e.Truck, e.Operator, e.Job, e.Origin, e.Body, tell.Describe(&e))
	switch b := e.Body.(type) {
	case events.WaterDecanted:
		text += fmt.Sprint(b.Start, b.End, b.Volume, *b.PHHundredths)
	case events.SpoilTipped:
		text += fmt.Sprint(b.Start, b.End, b.PortionPPM, *b.FreeLiquidsTest)
	case events.WaterRefilled:
		text += fmt.Sprint(b.Start, b.End, *b.MeterStartML, *b.MeterEndML, b.BackflowDevice)
	case events.LoadCollected:
		text += fmt.Sprint(b.Start, b.End, *b.SlurryVolume, *b.JettingWater)
	default:
		text += fmt.Sprintf("%+v", b)
	}
	return text
}

func TestShiftPastMidnightAndClockChanges(t *testing.T) {
	night := func() *filled { return newDay(t).put("", "Shift from", "20:00").put("", "Shift to", "04:30") }
	f := night().put("L1", "From", "23:50").put("L1", "To", "00:20").put("L1", "Job", "J-1").put("L1", "Slurry (m³)", "1")
	f.put("L2", "From", "1:10").put("L2", "To", "1:30").put("L2", "Job", "J-1").put("L2", "Slurry (m³)", "1")
	lines := f.lines()
	if got := lines[1].Event.Occurred; got != at("06", "04:30") {
		t.Errorf("the shift ends %s", got)
	}
	first, second := lines[2].Event.Body.(events.LoadCollected), lines[3].Event.Body.(events.LoadCollected)
	if first.Start != at("05", "23:50") || first.End != at("06", "00:20") || second.Start != at("06", "01:10") || second.End != at("06", "01:30") {
		t.Errorf("loads %+v, %+v", first, second)
	}
	// In the night to 25 October the clocks in Dublin showed 01:00 to 02:00 twice.
	back := func(clock string) *filled {
		f := night().put("", "Date", "2026-10-24").put("D1", "From", clock).put("D1", "To", "03:00").put("D1", "Water (L)", "1")
		return f
	}
	back("01:30").wrong("D1", "From", "01:30+01:00 or 01:30+00:00")
	for clock, want := range map[string]string{"01:30+01:00": "2026-10-25T01:30:00.000+01:00", "01:30Z": "2026-10-25T01:30:00.000Z"} {
		if d := back(clock).lines()[2].Event.Body.(events.WaterDecanted); d.Start != events.MustTime(want) {
			t.Errorf("%s is %s", clock, d.Start)
		}
	}
	back("01:30+05:00").wrong("D1", "From", "the offset that Europe/Dublin had then")
	gap := newDay(t).put("", "Date", "2026-03-29").put("D1", "From", "01:30").put("D1", "To", "03:00").put("D1", "Water (L)", "1")
	gap.wrong("D1", "From", "left that hour out")
}

func TestWhatIsWrongIsToldByCell(t *testing.T) {
	number := func(s string) cells.Cell { return cells.Cell{Kind: cells.Number, Text: s} }
	load := func() *filled {
		return newDay(t).put("L1", "From", "8:10").put("L1", "To", "8:35").put("L1", "Job", "J-1").put("L1", "Slurry (m³)", "2.4")
	}
	load().lines()
	for _, c := range []struct {
		code, heading string
		v             any
		says          string
	}{
		{"L1", "From", "8.10", `found "8.10"; allowed: a time such as 8:10`}, {"L1", "From", number("8.1"), "the number 8.1"}, {"L1", "From", "25:00", "25:00"}, {"L1", "From", "8:75", "8:75"},
		{"L1", "From", "", "found nothing; allowed: a time"}, {"L1", "To", "", "found nothing"}, {"L1", "To", "8:05", "after 08:10"}, {"L1", "From", cells.Cell{Kind: cells.Moment, Text: "46300.34"}, "without a day"},
		{"L1", "Job", "J-9", "an entry of the register on that day: J-1, J-2"}, {"L1", "Material (blank: the job's)", "mud", `found "mud"`}, {"L1", "Slurry (m³)", "", "how much"},
		{"L1", "Slurry (m³)", "1,234", "write 1234 or 1.2340"}, {"L1", "Slurry (m³)", "2.4 m3", "without its unit"}, {"L1", "Slurry (m³)", "-1", "a number"}, {"L1", "Slurry (m³)", number("-1"), "not below zero"},
		{"L1", "Slurry (m³)", "240", "data.slurryVolume.volumeML 240000000"}, {"L1", "Slurry (m³)", cells.Cell{Kind: cells.Formula, Text: "A1*2"}, "a formula, =A1*2; allowed: the value itself"},
		{"L1", "Slurry (m³)", cells.Cell{Kind: cells.Broken, Text: "#REF!"}, "#REF!"}, {"L1", "Slurry (m³)", cells.Cell{Kind: cells.Truth, Text: "true"}, "found true"}, {"L1", "Slurry (m³)", "1.234.567", "a number"},
		{"L1", "Basis (blank: measured)", "roughly", "measured, derived, assumed"}, {"", "Truck", "TM-09", "TM-01, TM-02"}, {"", "Truck", "", "found nothing"}, {"", "Date", "05/10/2026", "this may be 2026-10-05 or 2026-05-10"},
		{"", "Date", "yesterday", "a day such as"}, {"", "Date", number("20261005"), "a day such as"}, {"", "Time zone", "Mars/Base", "IANA"}, {"", "Sheet no.", "0", "1 to 99"}, {"", "Shift from", "9:00", ""},
	} {
		f := load().put(c.code, c.heading, c.v)
		if c.heading == "Shift from" {
			f.put("L1", "To", "9:20").wrong("L1", "From", "from the shift's start at 09:00 on")
			continue
		}
		f.wrong(c.code, c.heading, c.says)
	}
	newDay(t).put("L1", "From", "8:10").put("L1", "To", "8:35").put("L1", "Job", "J-2").put("L1", "Slurry (m³)", "1").wrong("L1", "Material (blank: the job's)", "the register has none for job J-2")
	newDay(t).put("A1", "From", "8:10").put("A1", "To", "8:35").put("A1", "What", "standby").wrong("A1", "Cause of standby", "why the truck stood by")
	newDay(t).put("S1", "Pressed", "8:10").wrong("S1", "Where", "where it was pressed")
	newDay(t).put("T1", "From", "8:10").put("T1", "To", "8:35").put("T1", "Facility", "F-1").wrong("T1", "Whole tank", "exactly one of")
}

// Where the printed lines run out, further ones go on below them; lines can be left out and moved.
func TestLinesGoOn(t *testing.T) {
	f := newDay(t).put("L12", "From", "8:10").put("L12", "To", "8:35").put("L12", "Job", "J-1").put("L12", "Slurry (m³)", "2.4")
	s := &f.wb.Sheets[0]
	row, _ := f.find("L12", "From")
	further := slices.Clone(s.Rows[row-1])
	further[0], further[1], further[2] = text("l13"), text("9:00"), text("9:10")
	s.Rows = slices.Insert(s.Rows, row, further)
	s.Rows = slices.Delete(s.Rows, row-3, row-1) // L10 and L11
	lines := f.lines()
	if len(lines) != 2 || lines[0].Event.ID != "20261005-1-L12" || lines[1].Event.ID != "20261005-1-L13" || lines[1].Event.Occurred != at("05", "09:10") {
		t.Errorf("%+v", lines)
	}
}

func TestDatesAsPeopleWriteThem(t *testing.T) {
	for _, v := range []any{"2026-10-05", "5.10.2026", "05.10.2026", cells.Cell{Kind: cells.Moment, Text: "46300"}, cells.Cell{Kind: cells.Number, Text: "46300"}, "2026-10-05T00:00:00"} {
		lines := newDay(t).put("", "Date", v).put("", "Shift from", "7:00").lines()
		if lines[0].Event.Occurred != at("05", "07:00") {
			t.Errorf("%v is %s", v, lines[0].Event.Occurred)
		}
	}
	if got := newDay(t).put("", "Date", "25/10/2026").put("", "Shift from", "7:00").lines()[0].Event.ID; got != "20261025-1-shift-from" {
		t.Errorf("25/10/2026 gives %s", got)
	}
}

func TestNothingIsOverlooked(t *testing.T) {
	problem := func(f *filled, says string) {
		t.Helper()
		if _, err := f.read(); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("want %q, found %v", says, err)
		}
	}
	problem(newDay(t), "nothing that is filled in")
	problem(&filled{t, &cells.Workbook{Sheets: []cells.Sheet{{Name: "x"}}}}, "no sheet that is a form")
	// Beside and below the lines, a line number mistyped, headings and fields that are gone, merged cells, a line twice.
	f := newDay(t).put("", "Shift from", "7:00")
	row, _ := f.find("L1", "From")
	f.wb.Sheets[0].Rows[row-1][12] = text("?")
	problem(f, "nothing beside the columns of Loads")
	f = newDay(t).put("", "Shift from", "7:00").put("L3", "From", "8:00")
	f.wb.Sheets[0].Rows[row+1][0] = text("l 3")
	problem(f, "nothing outside of the numbered lines")
	f = newDay(t)
	f.wb.Sheets[0].Rows = append(f.wb.Sheets[0].Rows, []cells.Cell{{}, text("8:00")})
	problem(f, "nothing outside of the numbered lines")
	f = newDay(t).put("", "Shift from", "7:00").put("L1", "From", "8:00")
	heads, column := f.find("L1", "Job")
	f.wb.Sheets[0].Rows[heads-3][column-1] = text("Work")
	problem(f, "no such heading above the lines of Loads")
	f = newDay(t)
	r, c := f.find("", "Truck")
	f.wb.Sheets[0].Rows[r-1][c-2] = text("Lorry")
	problem(f, "no field of that name")
	f = newDay(t).put("", "Shift from", "7:00").put("L1", "From", "8:00")
	f.wb.Sheets[0].Merged = []cells.Range{{FirstRow: row, FirstColumn: 2, LastRow: row, LastColumn: 3}}
	problem(f, "merged cells B")
	f = newDay(t).put("S1", "Pressed", "8:00").put("S1", "Where", "cab").put("S2", "Pressed", "9:00").put("S2", "Where", "cab")
	second, _ := f.find("S2", "Where")
	f.wb.Sheets[0].Rows[second-1][0] = text("S1")
	problem(f, "what line S1 in cell")
	// Several sheets in one workbook, one of them twice.
	f = newDay(t).put("", "Shift from", "7:00")
	f.wb.Sheets = append(f.wb.Sheets, f.wb.Sheets[0])
	problem(f, "what line Shift from in cell")
	// All at once.
	f = newDay(t).put("", "Truck", "TM-01").put("L1", "From", "x").put("L2", "From", "y").put("D1", "Water (L)", "z").put("D1", "From", "8:00").put("D1", "To", "9:00")
	_, err := f.read()
	var p *cells.Problems
	if !errors.As(err, &p) || len(p.List) != 5 {
		t.Errorf("want five problems: %v", err)
	}
}

func TestDocketsAndMeters(t *testing.T) {
	docket := func(clock string) *filled {
		return newDockets(t).put("K1", "Weighed on", "2026-10-05").put("K1", "At", clock).put("K1", "Truck", "TM-01 · Big Heron").put("K1", "Facility", "F-1").
			put("K1", "Docket no.", "00417").put("K1", "Gross (kg)", "21400").put("K1", "Tare (kg)", "16200")
	}
	f := docket("17:05").put("M1", "Date", "5.10.2026").put("M1", "Time", "18:00").put("M1", "Water source", "W-1").put("M1", "Reading (m³)", "514.4")
	f.put("X1", "Date", "2026-10-05").put("X1", "Time", "19:00").put("X1", "Water source", "W-1").put("X1", "Cause", "replaced").put("X1", "Meter", "SP-1").put("X1", "Last reading (m³)", "514.5").put("X1", "New meter", "SP-2").put("X1", "First reading (m³)", "0")
	lines := f.lines()
	if len(lines) != 3 {
		t.Fatalf("%d lines", len(lines))
	}
	d := lines[0].Event.Body.(events.DocketReceived)
	if d.Tip.ID != "t-3" || d.Number != "00417" || d.NetG != 5_200_000 || d.ScaleIntervalG != 20_000 || d.WeighedAt != at("05", "17:05") {
		t.Errorf("docket %+v", d)
	}
	if m := lines[1].Event.Body.(events.MeterRead); m.Meter != "SP-1" || m.ReadingML != 514_400_000 || lines[1].Event.Source != "/office/paper" {
		t.Errorf("reading %+v", m)
	}
	if m := lines[2].Event.Body.(events.MeterChanged); m.FinalML != 514_500_000 || m.NextMeter != "SP-2" {
		t.Errorf("change %+v", m)
	}
	// A docket is the same one wherever it stands.
	moved := newDockets(t)
	for _, heading := range []string{"Weighed on", "At", "Truck", "Facility", "Docket no.", "Gross (kg)", "Tare (kg)"} {
		r, c := f.find("K1", heading)
		moved.put("K7", heading, f.wb.Sheets[0].At(r, c))
	}
	if again := moved.lines()[0].Event; again.ID != lines[0].Event.ID || again.Source != "/office/paper-TM-01" {
		t.Errorf("in another line it is %s#%s", again.Source, again.ID)
	}
	docket("11:00").wrong("K1", "Tip began at", "one of the tips that began at 10:00, 11:30, said under Tip began at")
	if got := docket("11:00").put("K1", "Tip began at", "11:30").lines()[0].Event.Body.(events.DocketReceived).Tip.ID; got != "t-2" {
		t.Errorf("the tip is %s", got)
	}
	_, err := docket("22:00").read()
	if err == nil || !strings.Contains(err.Error(), "enter the day sheet first") {
		t.Errorf("a docket without a tip: %v", err)
	}
	docket("17:05").put("K1", "Net (kg)", "5000").wrong("K1", "Net (kg)", "grossG less tareG")
}

// Whatever stands in the cells, a reading ends in lines that are valid events, or in problems with their place.
func FuzzRead(f *testing.F) {
	f.Add(uint16(8), uint8(2), "8:10", uint8(1))
	f.Add(uint16(8), uint8(1), "L13", uint8(1))
	f.Add(uint16(3), uint8(5), "46300", uint8(3))
	f.Fuzz(func(t *testing.T, row uint16, column uint8, content string, kind uint8) {
		fl := newDay(t).put("L1", "From", "8:10").put("L1", "To", "8:35").put("L1", "Job", "J-1").put("L1", "Slurry (m³)", "2.4").put("", "Shift from", "7:00").put("", "Shift to", "3:00")
		s := &fl.wb.Sheets[0]
		r := int(row) % len(s.Rows)
		s.Rows[r] = slices.Clone(s.Rows[r])
		s.Rows[r][int(column)%len(s.Rows[r])] = cells.Cell{Kind: cells.Kind(kind % 7), Text: content}
		lines, err := fl.read()
		var p *cells.Problems
		if err != nil && (!errors.As(err, &p) || len(p.List) == 0 || p.List[0].Sheet == "") {
			t.Fatalf("%v", err)
		}
		for _, l := range lines {
			e := l.Event
			e.Seq = 1
			if err := e.Validate(); err != nil {
				t.Fatalf("%s: %v", l.Label, err)
			}
		}
	})
}
