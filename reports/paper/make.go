package paper

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports/cells"
)

func makeLoad(l *line) {
	start, end := l.span()
	job := l.jobAt(start)
	if job == "" {
		l.need("Job", "a job, here or at the head of the sheet")
	}
	b := l.basis()
	load := events.LoadCollected{Start: start, End: end, Material: events.MaterialID(l.name("Material (blank: the job's)", events.MaterialRegister, start, false)),
		SlurryVolume: volume(l.amount("Slurry (m³)", 6), b), SlurryMass: mass(l.amount("Slurry (kg)", 3), b), JettingWater: volume(l.amount("Jetting water (L)", 3), b)}
	if v := volume(l.amount("Soil in the ground (m³)", 6), b); v != nil {
		load.Bank = &events.BankSoil{Volume: *v}
	}
	if load.Material == "" {
		if d, ok := l.Book.Job(job, start); ok {
			load.Material = d.Material
		}
	}
	switch {
	case load.Material == "":
		l.need("Material (blank: the job's)", "a material; the register has none for job "+string(job))
	case load.SlurryVolume == nil && load.SlurryMass == nil && load.Bank == nil:
		l.need("Slurry (m³)", "how much: slurry in m³ or kg, or soil as it lay in the ground")
	}
	l.add(l.label, end, job, load)
}

func makeDecant(l *line) {
	start, end := l.span()
	v := volume(l.amount("Water (L)", 3), l.basis())
	if v == nil {
		l.need("Water (L)", "how much was let out, in litres")
		return
	}
	l.add(l.label, end, l.jobAt(start), events.WaterDecanted{Start: start, End: end, Volume: *v, Outfall: events.OutfallID(l.name("Outfall", events.OutfallRegister, start, false)),
		PHHundredths: l.amount("pH", 2), TurbidityMilliNTU: l.amount("Turbidity (NTU)", 3), SuspendedSolidsMGPerL: l.amount("Suspended solids (mg/L)", 0)})
}

func makeTip(l *line) {
	start, end := l.span()
	facility := events.FacilityID(l.name("Facility", events.FacilityRegister, start, true))
	whole, _ := l.yes("Whole tank")
	tip := events.SpoilTipped{Start: start, End: end, Facility: facility, Whole: whole, Volume: volume(l.amount("Volume (m³)", 6), events.Measured),
		Mass: mass(l.amount("Mass (kg)", 3), events.Measured), Consignment: l.text("Note no.")}
	if share := l.amount("Share of the tank (%)", 4); share != nil {
		tip.PortionPPM = *share
	}
	if passed, said := l.yes("Free liquids test passed"); said {
		tip.FreeLiquidsTest = &events.FreeLiquidsTest{Method: "paint filter", Passed: passed}
	}
	arrived, atGate := l.clock("Arrived", events.Time{})
	if atGate && start.Before(arrived) {
		l.fail(cells.Ref(l.row, l.at["Arrived"]), "Arrived", arrived.Std().Format("15:04"), "a time not after the tip began")
	}
	left, gone := l.clock("Left", end)
	if atGate {
		l.add(l.label+"-arrived", arrived, "", events.FacilityArrived{Facility: facility})
	}
	l.add(l.label, end, "", tip)
	if gone {
		l.add(l.label+"-left", left, "", events.FacilityLeft{Facility: facility})
	}
}

func makeRefill(l *line) {
	start, end := l.span()
	l.add(l.label, end, l.jobAt(start), events.WaterRefilled{Start: start, End: end, WaterSource: events.WaterSourceID(l.name("Water source", events.WaterSourceRegister, start, true)),
		Volume: volume(l.amount("Water (L)", 3), events.Measured), MeterStartML: l.amount("Meter before (m³)", 6), MeterEndML: l.amount("Meter after (m³)", 6),
		BackflowDevice: events.BackflowDevice(l.word("Backflow device"))})
}

func makeUse(l *line) {
	start, end := l.span()
	v := volume(l.amount("Water (L)", 3), events.Measured)
	if v == nil {
		l.need("Water (L)", "how much was used, in litres")
		return
	}
	into, _ := l.yes("Into the debris tank")
	l.add(l.label, end, l.jobAt(start), events.WaterUsed{Start: start, End: end, Purpose: events.Purpose(l.word("Purpose")), Volume: *v, IntoDebrisTank: into})
}

func makeHours(l *line) {
	start, end := l.span()
	job := l.jobAt(start)
	switch what := l.word("What"); what {
	case "on-site":
		if job == "" {
			l.need("Job", "a job, here or at the head of the sheet")
		}
		l.add(l.label+"-from", start, job, events.SiteArrived{})
		l.add(l.label+"-to", end, job, events.SiteLeft{})
	case "standby":
		cause := events.StandbyCause(l.word("Cause of standby"))
		if cause == "" {
			l.need("Cause of standby", "why the truck stood by")
		}
		l.add(l.label+"-from", start, job, events.StandbyStarted{Cause: cause, Note: l.text("Note")})
		l.add(l.label+"-to", end, job, events.StandbyEnded{})
	case "rest":
		l.add(l.label+"-from", start, "", events.RestStarted{})
		l.add(l.label+"-to", end, "", events.RestEnded{})
	default:
		l.need("What", "on site, standby or rest")
	}
}

func makeStop(l *line) {
	pressed, ok := l.clock("Pressed", events.Time{})
	if !ok {
		l.need("Pressed", "when the stop was pressed")
		return
	}
	station := events.StopStation(l.word("Where"))
	if station == "" {
		l.need("Where", "where it was pressed: left, right, rear, cab, remote or other")
	}
	l.add(l.label, pressed, l.job, events.EmergencyStopPressed{Station: station, Cause: l.text("Cause"), Attribution: events.Attribution(l.word("On whose side"))})
	last := pressed
	if reset, ok := l.clock("Reset", pressed); ok {
		inspected, _ := l.yes("Looked over first")
		l.add(l.label+"-reset", reset, l.job, events.EmergencyStopReset{Inspected: inspected})
		last = reset
	}
	if restarted, ok := l.clock("Restarted", last); ok {
		l.add(l.label+"-restarted", restarted, l.job, events.PlantRestarted{})
	}
}

func makeDocket(l *line) {
	at, ok := l.dated("Weighed on", "At")
	if !ok {
		return
	}
	d := events.DocketReceived{WeighedAt: at, Facility: events.FacilityID(l.name("Facility", events.FacilityRegister, at, true)), Number: l.text("Docket no."),
		GrossG: l.amount("Gross (kg)", 3), TareG: l.amount("Tare (kg)", 3)}
	truck := events.TruckID(l.name("Truck", events.TruckRegister, at, true))
	switch net := l.amount("Net (kg)", 3); {
	case net != nil:
		d.NetG = *net
	case d.GrossG != nil && d.TareG != nil:
		d.NetG = *d.GrossG - *d.TareG
	default:
		l.need("Net (kg)", "net, or gross and tare")
	}
	if d.Number == "" {
		l.need("Docket no.", "the number on the docket")
	}
	if interval := l.amount("Scale interval (kg)", 3); interval != nil {
		d.ScaleIntervalG = *interval
	} else if f, ok := l.Book.Facility(d.Facility, at); ok {
		d.ScaleIntervalG = f.WeighbridgeIntervalKg * 1000
	}
	if l.broken {
		return
	}
	if d.Tip, ok = l.tip(truck, d.Facility, at); ok {
		l.enter(events.Event{ID: "docket-" + short(string(d.Facility)+"/"+d.Number), Source: source(truck), Occurred: at, Truck: truck, Body: d})
	}
}

// nearTip is how long before or after a tip its load is weighed.
const nearTip = 2 * time.Hour

// tip finds the tip that a docket belongs to: of the truck, at the facility, about the time of weighing; where the line says when the tip
// began, at that time.
func (l *line) tip(truck events.TruckID, facility events.FacilityID, weighed events.Time) (events.Ref, bool) {
	var began events.Time
	ref := cells.Ref(l.row, l.at["Tip began at"])
	if c, cell, ok := l.cell("Tip began at"); ok {
		minutes, offset, problem := clockOf(c)
		if problem != "" {
			l.fail(cell, "Tip began at", c.Shown(), problem)
			return events.Ref{}, false
		}
		local := weighed.Std().In(l.zone)
		if began, ok = l.instant(time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, time.UTC), minutes, offset, cell, "Tip began at", events.Time{}); !ok {
			return events.Ref{}, false
		}
	}
	var found []Tip
	var said []string
	for _, t := range l.Tips {
		near := weighed.UnixMS >= t.Start.UnixMS-nearTip.Milliseconds() && weighed.UnixMS <= t.End.UnixMS+nearTip.Milliseconds()
		if t.Truck != truck || t.Facility != facility || !near {
			continue
		}
		said = append(said, t.Start.Std().In(l.zone).Format("15:04"))
		if began.IsZero() || began.UnixMS/60_000 == t.Start.UnixMS/60_000 {
			found = append(found, t)
		}
	}
	if len(found) == 1 {
		return found[0].Ref, true
	}
	allowed := "a tip of that truck at that facility within two hours of the weighing; enter the day sheet first"
	if len(said) > 0 {
		allowed = "one of the tips that began at " + strings.Join(said, ", ") + ", said under Tip began at"
	}
	l.fail(ref, "Tip began at", fmt.Sprintf("%d tips that fit", len(found)), allowed)
	return events.Ref{}, false
}

func makeReading(l *line) {
	at, ok := l.dated("Date", "Time")
	if !ok {
		return
	}
	m := events.MeterRead{WaterSource: events.WaterSourceID(l.name("Water source", events.WaterSourceRegister, at, true)), Meter: l.text("Meter (blank: the register's)")}
	if reading := l.amount("Reading (m³)", 6); reading != nil {
		m.ReadingML = *reading
	} else {
		l.need("Reading (m³)", "what the meter showed, in m³")
	}
	if m.Meter == "" {
		if d, ok := l.Book.WaterSource(m.WaterSource, at); ok {
			m.Meter = d.Meter
		}
	}
	if m.Meter == "" {
		l.need("Meter (blank: the register's)", "the meter's number; the register has none")
	}
	l.enter(events.Event{ID: "meter-" + short(fmt.Sprint(m.WaterSource, "/", at.UnixMS)), Source: source(""), Occurred: at, Body: m})
}

func makeChange(l *line) {
	at, ok := l.dated("Date", "Time")
	if !ok {
		return
	}
	m := events.MeterChanged{WaterSource: events.WaterSourceID(l.name("Water source", events.WaterSourceRegister, at, true)), Cause: events.MeterCause(l.word("Cause")),
		Meter: l.text("Meter"), NextMeter: l.text("New meter"), Note: l.text("Note")}
	if m.NextMeter == "" {
		m.NextMeter = m.Meter
	}
	final, start := l.amount("Last reading (m³)", 6), l.amount("First reading (m³)", 6)
	if final == nil || start == nil {
		l.need("Last reading (m³)", "the last and the first reading, in m³")
		return
	}
	m.FinalML, m.StartML = *final, *start
	l.enter(events.Event{ID: "change-" + short(fmt.Sprint(m.WaterSource, "/", at.UnixMS)), Source: source(""), Occurred: at, Body: m})
}

// short returns a name of twenty characters for a text of any length.
func short(text string) string {
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:10])
}
