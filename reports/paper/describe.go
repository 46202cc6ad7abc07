package paper

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
)

// Teller says things in somebody's language and units. Say fills in a text as fmt.Sprintf does.
type Teller struct {
	Say      func(text string, args ...any) string
	Number   func(text string) string // writes an English number as the language does; nil leaves it
	Measures reports.Measures
	Zone     *time.Location
}

func (t Teller) quantity(text string) string {
	if t.Number == nil {
		return text
	}
	return t.Number(text)
}

func (t Teller) spoil(ml int64) string {
	return t.quantity(reports.ShownIn(t.Measures.Spoil, ml))
}
func (t Teller) water(ml int64) string {
	return t.quantity(reports.ShownIn(t.Measures.Water, ml))
}
func (t Teller) mass(g int64) string { return t.quantity(reports.ShownIn(t.Measures.Mass, g)) }

func (t Teller) at(v events.Time) string { return v.Std().In(t.Zone).Format("15:04") }

// words says a word of an event, such as a cause.
func (t Teller) words(w string) string { return t.Say(strings.ReplaceAll(w, "-", " ")) }

// Describe says in a few words what an event that a sheet can hold says, with its times in the teller's zone.
func (t Teller) Describe(e *events.Event) string {
	entry := reports.Entry{Event: *e}
	start, end := entry.Interval()
	when := t.at(start)
	if start != end {
		when += "–" + t.at(end)
	}
	parts := []string{when + " " + t.what(e.Body)}
	if e.Job != "" {
		parts = append(parts, t.Say("job %s", string(e.Job)))
	}
	return strings.Join(append(parts, t.details(e.Body)...), ", ")
}

// what names what happened.
func (t Teller) what(b events.Body) string {
	switch b := b.(type) {
	case events.LoadCollected:
		return t.Say("load")
	case events.WaterDecanted:
		return t.Say("decant")
	case events.SpoilTipped:
		return t.Say("tip")
	case events.WaterRefilled:
		return t.Say("refill")
	case events.WaterUsed:
		return t.Say("water used for %s", t.words(string(b.Purpose)))
	case events.ShiftStarted:
		return t.Say("shift starts")
	case events.ShiftEnded:
		return t.Say("shift ends")
	case events.SiteArrived:
		return t.Say("on site")
	case events.SiteLeft:
		return t.Say("leaves the site")
	case events.FacilityArrived:
		return t.Say("arrives at %s", string(b.Facility))
	case events.FacilityLeft:
		return t.Say("leaves %s", string(b.Facility))
	case events.StandbyStarted:
		return t.Say("standby starts (%s)", t.words(string(b.Cause)))
	case events.StandbyEnded:
		return t.Say("standby ends")
	case events.RestStarted:
		return t.Say("rest starts")
	case events.RestEnded:
		return t.Say("rest ends")
	case events.EmergencyStopPressed:
		return t.Say("emergency stop pressed (%s)", t.words(string(b.Station)))
	case events.EmergencyStopReset:
		return t.Say("emergency stop reset")
	case events.PlantRestarted:
		return t.Say("plant restarted")
	case events.DocketReceived:
		return t.Say("docket %s", b.Number)
	case events.MeterRead:
		return t.Say("meter %s", b.Meter)
	case events.MeterChanged:
		return t.Say("meter %s changed (%s)", b.Meter, t.words(string(b.Cause)))
	}
	return string(b.Kind())
}

// details are quantities and names.
func (t Teller) details(b events.Body) []string {
	var list []string
	add := func(there bool, text string, args ...any) {
		if there {
			list = append(list, t.Say(text, args...))
		}
	}
	switch b := b.(type) {
	case events.LoadCollected:
		return t.load(b)
	case events.WaterDecanted:
		add(true, "%s to %s", t.water(b.Volume.VolumeML), orDash(string(b.Outfall)))
		add(b.Volume.Basis != events.Measured, t.words(string(b.Volume.Basis)))
		if b.PHHundredths != nil {
			add(true, "pH %s", t.quantity(hundredths(*b.PHHundredths)))
		}
		if b.TurbidityMilliNTU != nil {
			add(true, "turbidity %s NTU", t.quantity(strconv.FormatInt(*b.TurbidityMilliNTU/1000, 10)))
		}
		if b.SuspendedSolidsMGPerL != nil {
			add(true, "suspended solids %s mg/L", t.quantity(strconv.FormatInt(*b.SuspendedSolidsMGPerL, 10)))
		}
	case events.SpoilTipped:
		add(true, "at %s", string(b.Facility))
		add(b.Whole, "whole tank")
		if b.Volume != nil {
			list = append(list, t.spoil(b.Volume.VolumeML))
		}
		if b.Mass != nil {
			list = append(list, t.mass(b.Mass.MassG))
		}
		if b.PortionPPM > 0 {
			list = append(list, t.quantity(tenths(b.PortionPPM/1000)+" %"))
		}
		add(b.Consignment != "", "note %s", b.Consignment)
	case events.WaterRefilled:
		add(true, "from %s", string(b.WaterSource))
		if b.Volume != nil {
			list = append(list, t.water(b.Volume.VolumeML))
		}
		if b.MeterStartML != nil && b.MeterEndML != nil {
			add(true, "meter %s to %s", t.spoil(*b.MeterStartML), t.spoil(*b.MeterEndML))
		}
	case events.WaterUsed:
		list = append(list, t.water(b.Volume.VolumeML))
	case events.EmergencyStopPressed:
		add(b.Cause != "", "%s", b.Cause)
		add(b.Attribution != "", "side: %s", t.words(string(b.Attribution)))
	case events.DocketReceived:
		add(true, "net %s", t.mass(b.NetG))
		add(true, "at %s", string(b.Facility))
		add(true, "for the tip %s", b.Tip.ID)
	case events.MeterRead:
		add(true, "of %s: %s", string(b.WaterSource), t.spoil(b.ReadingML))
	case events.MeterChanged:
		add(true, "last reading %s, %s begins at %s", t.spoil(b.FinalML), b.NextMeter, t.spoil(b.StartML))
	}
	return list
}

func (t Teller) load(b events.LoadCollected) []string {
	list := []string{t.Say("material %s", string(b.Material))}
	if v := b.SlurryVolume; v != nil {
		list = append(list, t.Say("slurry %s (%s)", t.spoil(v.VolumeML), t.words(string(v.Basis))))
	}
	if m := b.SlurryMass; m != nil {
		list = append(list, t.Say("slurry %s (%s)", t.mass(m.MassG), t.words(string(m.Basis))))
	}
	if b.Bank != nil {
		list = append(list, t.Say("soil in the ground %s", t.spoil(b.Bank.Volume.VolumeML)))
	}
	if v := b.JettingWater; v != nil {
		list = append(list, t.Say("jetting water %s", t.water(v.VolumeML)))
	}
	return list
}

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

// tenths writes thousandths of one as percent with one decimal.
func tenths(permille int64) string { return fmt.Sprintf("%d.%d", permille/10, permille%10) }

// hundredths writes hundredths with both decimals.
func hundredths(v int64) string { return fmt.Sprintf("%d.%02d", v/100, v%100) }
