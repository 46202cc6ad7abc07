// Package paper says what stands on sheets that people fill in by hand: a day sheet of a truck, and a sheet of dockets and meter readings. It
// makes the forms ([Day], [Dockets]) from the register, and turns what was filled in back into events ([Read]). It writes and reads no files;
// see package cells.
//
// A line's number is printed before it (L3 is the third load) and is part of what the line is: what stands in line L3 of sheet 1 of truck
// TM-01 on 2026-10-05 is the event
//
//	/office/paper-TM-01#20261005-1-L3
//
// however often it is read, whether the sheet was filled in again, and wherever the line stands. A line that says something else than before is
// a correction of that event. A docket is known by its facility and number, a meter's reading by its water source, day and time.
//
// Times are of the day and the time zone at the sheet's head. In a shift that runs past midnight a time before the shift's start is of the next
// day, and a line whose end is before its start runs past midnight. Everything that is wrong is told at once, by sheet and cell.
package paper

import (
	"slices"
	"strings"

	"spoilbook/events"
)

// Forms, as their first cell names them.
const (
	dayTitle     = "Day sheet"
	docketsTitle = "Dockets and meters"
)

// Sheets of a form, as they are made.
const guideSheet = "How to fill this in"

// kind says how a cell of a column is read.
type kind int

const (
	clock   kind = iota // time of day
	day                 // date
	name                // entry of a register
	choice              // one of some words
	litres              // exact to the millilitre
	cubic               // m³, exact to the millilitre
	kilos               // kg, exact to the gram
	number              // with decimals
	percent             // of what the tank holds
	words               // text
	yesOrNo             // yes, no
)

// column is a column of a section. Field is the member of the event that it fills, for messages.
type column struct {
	heading  string
	kind     kind
	register events.Register
	choices  []string
	field    string
	example  string
}

// section is a part of a form with numbered lines.
type section struct {
	letter  string
	title   string
	note    string
	lines   int
	columns []column
	make    func(l *line)
}

func texts[T ~string](list []T) []string {
	out := make([]string, len(list))
	for i, w := range list {
		out[i] = strings.ReplaceAll(string(w), "-", " ")
	}
	return out
}

func (c *column) list() string {
	switch {
	case c.register != "":
		return listName(c.register)
	case c.kind == yesOrNo:
		return "Yes or no"
	case len(c.choices) > 0:
		return c.heading
	}
	return ""
}

// listName is the heading of a register's list.
func listName(r events.Register) string {
	text := strings.ReplaceAll(string(r), "-", " ")
	return strings.ToUpper(text[:1]) + text[1:] + " names"
}

func from() column {
	return column{heading: "From", kind: clock, field: "data.start", example: "08:10"}
}
func to() column { return column{heading: "To", kind: clock, field: "data.end", example: "08:35"} }
func job() column {
	return column{heading: "Job", kind: name, register: events.JobRegister, field: "job"}
}
func basis(field string) column {
	return column{heading: "Basis (blank: measured)", kind: choice, choices: texts([]events.Basis{events.Measured, events.Derived, events.Assumed}), field: field, example: "measured"}
}

// daySections are the parts of a day sheet.
func daySections() []section {
	devices := []events.BackflowDevice{events.AirGap, events.ReducedPressureZone, events.DoubleCheckValve, events.NoDevice}
	stations := []events.StopStation{events.StationLeft, events.StationRight, events.StationRear, events.StationCab, events.StationRemote, events.StationOther}
	sides := []events.Attribution{events.ByCarrier, events.ByClient, events.ByThirdParty, events.ByUnknown}
	purposes := []events.Purpose{events.ForWashing, events.ForFlushing, events.ForDust, events.ForOther}
	return []section{
		{"L", "Loads", "What was sucked up. Slurry by volume or mass, or soil as it lay in the ground with the jetting water.", 12, []column{from(), to(), job(),
			{heading: "Material (blank: the job's)", kind: name, register: events.MaterialRegister, field: "data.material"},
			{heading: "Slurry (m³)", kind: cubic, field: "data.slurryVolume", example: "2.4"}, {heading: "Slurry (kg)", kind: kilos, field: "data.slurryMass"},
			{heading: "Soil in the ground (m³)", kind: cubic, field: "data.bank"}, {heading: "Jetting water (L)", kind: litres, field: "data.jettingWater", example: "900"},
			basis("data.slurryVolume.basis")}, makeLoad},
		{"D", "Decants", "Settled water let out of the debris tank.", 6, []column{from(), to(), job(),
			{heading: "Outfall", kind: name, register: events.OutfallRegister, field: "data.outfall"}, {heading: "Water (L)", kind: litres, field: "data.volume", example: "1200"},
			{heading: "pH", kind: number, field: "data.pHHundredths", example: "7.2"}, {heading: "Turbidity (NTU)", kind: number, field: "data.turbidityMilliNTU"},
			{heading: "Suspended solids (mg/L)", kind: number, field: "data.suspendedSolidsMGPerL"}, basis("data.volume.basis")}, makeDecant},
		{"T", "Tips", "The whole tank, or one of volume, mass and share.", 5, []column{from(), to(),
			{heading: "Facility", kind: name, register: events.FacilityRegister, field: "data.facility"}, {heading: "Arrived", kind: clock, example: "10:30"}, {heading: "Left", kind: clock, example: "11:05"},
			{heading: "Whole tank", kind: yesOrNo, field: "data.whole", example: "yes"}, {heading: "Volume (m³)", kind: cubic, field: "data.volume"}, {heading: "Mass (kg)", kind: kilos, field: "data.mass"},
			{heading: "Share of the tank (%)", kind: percent, field: "data.portionPPM"}, {heading: "Note no.", kind: words, field: "data.consignment"},
			{heading: "Free liquids test passed", kind: yesOrNo, field: "data.freeLiquidsTest"}}, makeTip},
		{"R", "Refills", "Fresh water taken in: its volume, or the meter before and after.", 5, []column{from(), to(), job(),
			{heading: "Water source", kind: name, register: events.WaterSourceRegister, field: "data.waterSource"}, {heading: "Water (L)", kind: litres, field: "data.volume", example: "2000"},
			{heading: "Meter before (m³)", kind: cubic, field: "data.meterStartML"}, {heading: "Meter after (m³)", kind: cubic, field: "data.meterEndML"},
			{heading: "Backflow device", kind: choice, choices: texts(devices), field: "data.backflowDevice", example: "air gap"}}, makeRefill},
		{"W", "Water used otherwise", "Fresh water that was not used for jetting.", 3, []column{from(), to(), job(),
			{heading: "Purpose", kind: choice, choices: texts(purposes), field: "data.purpose", example: "washing"}, {heading: "Water (L)", kind: litres, field: "data.volume", example: "150"},
			{heading: "Into the debris tank", kind: yesOrNo, field: "data.intoDebrisTank", example: "no"}}, makeUse},
		{"A", "Hours", "On site, standing by and resting.", 12, []column{from(), to(),
			{heading: "What", kind: choice, choices: []string{"on site", "standby", "rest"}, example: "standby"}, job(),
			{heading: "Cause of standby", kind: choice, choices: texts(events.StandbyCauses()), field: "data.cause", example: "awaiting client"},
			{heading: "Note", kind: words, field: "data.note"}}, makeHours},
		{"S", "Emergency stops", "A record, not a safety function. A reset permits a restart and is not one.", 3, []column{
			{heading: "Pressed", kind: clock, example: "09:12"}, {heading: "Where", kind: choice, choices: texts(stations), field: "data.station", example: "rear"},
			{heading: "Cause", kind: words, field: "data.cause", example: "hose burst"}, {heading: "On whose side", kind: choice, choices: texts(sides), field: "data.attribution", example: "carrier"},
			{heading: "Reset", kind: clock, example: "09:20"}, {heading: "Looked over first", kind: yesOrNo, field: "data.inspected", example: "yes"}, {heading: "Restarted", kind: clock, example: "09:24"}}, makeStop},
	}
}

// docketSections are the parts of a sheet of dockets and meter readings.
func docketSections() []section {
	date := column{heading: "Date", kind: day, example: "2026-10-05"}
	at := column{heading: "Time", kind: clock, example: "10:41"}
	source := column{heading: "Water source", kind: name, register: events.WaterSourceRegister, field: "data.waterSource"}
	causes := []events.MeterCause{events.MeterRolledOver, events.MeterReplaced, events.MeterReset}
	weighed, of := date, at
	weighed.heading, of.heading = "Weighed on", "At"
	return []section{
		{"K", "Weighbridge dockets", "Net, or gross and tare. A docket belongs to the tip of that truck at that facility when it was weighed.", 25, []column{weighed, of,
			{heading: "Truck", kind: name, register: events.TruckRegister, field: "subject"}, {heading: "Facility", kind: name, register: events.FacilityRegister, field: "data.facility"},
			{heading: "Docket no.", kind: words, field: "data.number", example: "30117"}, {heading: "Gross (kg)", kind: kilos, field: "data.grossG", example: "21400"}, {heading: "Tare (kg)", kind: kilos, field: "data.tareG", example: "15120"},
			{heading: "Net (kg)", kind: kilos, field: "data.netG", example: "6280"}, {heading: "Scale interval (kg)", kind: kilos, field: "data.scaleIntervalG"},
			{heading: "Tip began at", kind: clock}}, makeDocket},
		{"M", "Meter readings", "What the meter of a water source showed.", 12, []column{date, at, source,
			{heading: "Meter (blank: the register's)", kind: words, field: "data.meter"}, {heading: "Reading (m³)", kind: cubic, field: "data.readingML", example: "1204.35"}}, makeReading},
		{"X", "Meters changed", "A meter that was replaced, set back, or ran past its highest reading.", 4, []column{date, at, source,
			{heading: "Cause", kind: choice, choices: texts(causes), field: "data.cause", example: "replaced"}, {heading: "Meter", kind: words, field: "data.meter", example: "SP-4471"},
			{heading: "Last reading (m³)", kind: cubic, field: "data.finalML", example: "1310.2"}, {heading: "New meter", kind: words, field: "data.nextMeter", example: "SP-5020"},
			{heading: "First reading (m³)", kind: cubic, field: "data.startML", example: "0"}, {heading: "Note", kind: words, field: "data.note"}}, makeChange},
	}
}

// sectionOf returns the section of a line's number, "L" of "L3".
func sectionOf(sections []section, letter string) *section {
	i := slices.IndexFunc(sections, func(s section) bool { return s.letter == letter })
	if i < 0 {
		return nil
	}
	return &sections[i]
}
