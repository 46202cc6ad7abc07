package events_test

import (
	"errors"
	"strings"
	"testing"

	"spoilbook/events"
)

var (
	start = events.MustTime("2026-10-05T08:10:00.000+01:00")
	end   = events.MustTime("2026-10-05T08:25:00.000+01:00")
	tip   = events.Ref{Source: "/truck/TM-01", ID: "TM-01-000042"}
)

func ptr(v int64) *int64 { return &v }

func litres(l int64) *events.Volume {
	return &events.Volume{VolumeML: l * 1000, Basis: events.Measured}
}

// with returns base, which is valid, with one change.
func with[T any](base T, change func(*T)) T {
	change(&base)
	return base
}

// broken is a payload in which one rule is broken.
type broken struct {
	rule                  string
	body                  events.Body
	field, found, allowed string
}

// check asks that each payload is refused for that field alone.
func check(t *testing.T, table []broken) {
	t.Helper()
	for _, b := range table {
		t.Run(b.rule, func(t *testing.T) {
			c := &events.Check{}
			b.body.Check(c)
			var invalid *events.ValidationError
			if !errors.As(c.Err(), &invalid) {
				t.Fatalf("accepted: %+v", b.body)
			}
			if len(invalid.Fields) != 1 {
				t.Fatalf("%d errors: %v", len(invalid.Fields), invalid)
			}
			got := invalid.Fields[0]
			if got.Field != b.field || !strings.Contains(got.Found, b.found) || !strings.Contains(got.Allowed, b.allowed) {
				t.Errorf("error %q; want field %s, found %s, allowed %s", got.Error(), b.field, b.found, b.allowed)
			}
		})
	}
}

// accept asks that each payload is valid.
func accept(t *testing.T, bodies ...events.Body) {
	t.Helper()
	for _, b := range bodies {
		c := &events.Check{}
		if b.Check(c); c.Err() != nil {
			t.Errorf("%+v: %v", b, c.Err())
		}
	}
}

func load() events.LoadCollected {
	return events.LoadCollected{Start: start, End: end, Material: "M-CLAY", SlurryVolume: litres(2000)}
}

func TestLoadCollected(t *testing.T) {
	bank := func(b events.BankSoil) events.LoadCollected {
		return with(load(), func(l *events.LoadCollected) { l.SlurryVolume, l.Bank = nil, &b })
	}
	soil := events.BankSoil{Volume: *litres(2000), BulkDensityGPerM3: 1_900_000, MoisturePPM: ptr(150_000)}
	accept(t, load(), bank(soil),
		with(load(), func(l *events.LoadCollected) { l.End = l.Start }),
		with(load(), func(l *events.LoadCollected) {
			l.End = events.Time{UnixMS: l.Start.UnixMS + 86_400_000, OffsetMinutes: 60}
		}),
		bank(events.BankSoil{Volume: *litres(2000)}))
	check(t, []broken{
		{"end before start", with(load(), func(l *events.LoadCollected) { l.End, l.Start = l.Start, l.End }), "end", "08:10", "not before start 2026-10-05T08:25"},
		{"longer than a day", with(load(), func(l *events.LoadCollected) { l.End.UnixMS = l.Start.UnixMS + 86_400_001 }), "end", "2026-10-06", "at most 24 hours"},
		{"clock never set", with(load(), func(l *events.LoadCollected) { l.Start.UnixMS, l.End.UnixMS = 946_684_799_999, 946_684_800_000 }), "start", "2000-01-01T00:59:59.999", "a time from 2000"},
		{"no material", with(load(), func(l *events.LoadCollected) { l.Material = "" }), "material", `""`, "1 to 40 letters"},
		{"nothing known", with(load(), func(l *events.LoadCollected) { l.SlurryVolume = nil }), "slurryVolume", "nothing", "at least one of"},
		{"negative volume", with(load(), func(l *events.LoadCollected) { l.SlurryVolume.VolumeML = -1 }), "slurryVolume.volumeML", "-1", "0 to 100000000 (millilitres)"},
		{"litres for millilitres", with(load(), func(l *events.LoadCollected) { l.SlurryVolume = litres(2_000_000) }), "slurryVolume.volumeML", "2000000000", "0 to 100000000"},
		{"no basis", with(load(), func(l *events.LoadCollected) { l.SlurryVolume.Basis = "" }), "slurryVolume.basis", `""`, "measured, derived, assumed"},
		{"negative tolerance", with(load(), func(l *events.LoadCollected) { l.SlurryVolume.ToleranceML = -5 }), "slurryVolume.toleranceML", "-5", "0 to"},
		{"long instrument", with(load(), func(l *events.LoadCollected) { l.SlurryVolume.Instrument = strings.Repeat("é", 61) }), "slurryVolume.instrument", "61 characters", "0 to 60"},
		{"mass", with(load(), func(l *events.LoadCollected) {
			l.SlurryMass = &events.Mass{MassG: events.MaxMassG + 1, Basis: events.Measured}
		}), "slurryMass.massG", "100000001", "grams"},
		{"mass tolerance", with(load(), func(l *events.LoadCollected) {
			l.SlurryMass = &events.Mass{MassG: 1, ToleranceG: -1, Basis: events.Measured}
		}), "slurryMass.toleranceG", "-1", "grams"},
		{"mass basis", with(load(), func(l *events.LoadCollected) { l.SlurryMass = &events.Mass{MassG: 1, Basis: "guessed"} }), "slurryMass.basis", `"guessed"`, "measured"},
		{"mass instrument", with(load(), func(l *events.LoadCollected) {
			l.SlurryMass = &events.Mass{MassG: 1, Basis: events.Assumed, Instrument: "\x07"}
		}), "slurryMass.instrument", `"\a"`, "without control characters"},
		{"jetting water", with(load(), func(l *events.LoadCollected) { l.JettingWater = litres(-1) }), "jettingWater.volumeML", "-1000", "0 to"},
		{"bank volume", bank(with(soil, func(b *events.BankSoil) { b.Volume.Basis = "" })), "bank.volume.basis", `""`, "measured"},
		{"bank density in kg", bank(with(soil, func(b *events.BankSoil) { b.BulkDensityGPerM3 = 1900 })), "bank.bulkDensityGPerM3", "1900", "1900 kg/m3 is 1900000"},
		{"moisture in percent", bank(with(soil, func(b *events.BankSoil) { b.MoisturePPM = ptr(-1) })), "bank.moisturePPM", "-1", "15 % is 150000"},
	})
}

func TestWaterDecanted(t *testing.T) {
	base := events.WaterDecanted{Start: start, End: end, Volume: *litres(1500)}
	accept(t, base, with(base, func(d *events.WaterDecanted) { d.Outfall = "OF-1"; d.PHHundredths = ptr(0) }))
	check(t, []broken{
		{"volume", with(base, func(d *events.WaterDecanted) { d.Volume.VolumeML = -1 }), "volume.volumeML", "-1", "0 to"},
		{"interval", with(base, func(d *events.WaterDecanted) { d.Start, d.End = end, start }), "end", "08:10", "not before"},
		{"outfall", with(base, func(d *events.WaterDecanted) { d.Outfall = "-x" }), "outfall", `"-x"`, "beginning with a letter or digit"},
		{"density", with(base, func(d *events.WaterDecanted) { d.DensityGPerM3 = ptr(1000) }), "densityGPerM3", "1000", "water is 1000000"},
		{"suspended solids", with(base, func(d *events.WaterDecanted) { d.SuspendedSolidsMGPerL = ptr(1_000_001) }), "suspendedSolidsMGPerL", "1000001", "milligrams per litre"},
		{"turbidity", with(base, func(d *events.WaterDecanted) { d.TurbidityMilliNTU = ptr(-1) }), "turbidityMilliNTU", "-1", "thousandths"},
		{"pH", with(base, func(d *events.WaterDecanted) { d.PHHundredths = ptr(1401) }), "pHHundredths", "1401", "pH 7.2 is 720"},
	})
}

func TestSpoilTipped(t *testing.T) {
	base := events.SpoilTipped{Start: start, End: end, Facility: "F-1", Whole: true}
	accept(t, base, with(base, func(s *events.SpoilTipped) { s.Whole, s.PortionPPM = false, 1_000_000 }),
		with(base, func(s *events.SpoilTipped) { s.FreeLiquidsTest = &events.FreeLiquidsTest{Method: "paint filter"} }))
	check(t, []broken{
		{"interval", with(base, func(s *events.SpoilTipped) { s.Start, s.End = end, start }), "end", "08:10", "not before"},
		{"facility", with(base, func(s *events.SpoilTipped) { s.Facility = "" }), "facility", `""`, "1 to 40"},
		{"no quantity", with(base, func(s *events.SpoilTipped) { s.Whole = false }), "whole", "nothing", "exactly one of"},
		{"two quantities", with(base, func(s *events.SpoilTipped) { s.Volume = litres(1) }), "whole", "several", "exactly one of"},
		{"volume", with(base, func(s *events.SpoilTipped) { s.Whole, s.Volume = false, litres(-1) }), "volume.volumeML", "-1000", "0 to"},
		{"mass", with(base, func(s *events.SpoilTipped) {
			s.Whole, s.Mass = false, &events.Mass{MassG: -1, Basis: events.Measured}
		}), "mass.massG", "-1", "grams"},
		{"portion", with(base, func(s *events.SpoilTipped) { s.Whole, s.PortionPPM = false, 1_000_001 }), "portionPPM", "1000001", "parts per million"},
		{"consignment", with(base, func(s *events.SpoilTipped) { s.Consignment = strings.Repeat("9", 41) }), "consignment", "41 characters", "0 to 40"},
		{"test method", with(base, func(s *events.SpoilTipped) { s.FreeLiquidsTest = &events.FreeLiquidsTest{} }), "freeLiquidsTest.method", "0 characters", "1 to 60"},
	})
}

func TestDocketReceived(t *testing.T) {
	base := events.DocketReceived{Tip: tip, Facility: "F-1", Number: "WB-1", WeighedAt: end, NetG: 5_280_000, ScaleIntervalG: 20_000}
	accept(t, base, with(base, func(d *events.DocketReceived) { d.GrossG, d.TareG = ptr(19_840_000), ptr(14_560_000) }),
		with(base, func(d *events.DocketReceived) { d.NetG = 0 }))
	check(t, []broken{
		{"tip source", with(base, func(d *events.DocketReceived) { d.Tip.Source = "TM-01" }), "tip.source", `"TM-01"`, "/truck/NAME"},
		{"tip id", with(base, func(d *events.DocketReceived) { d.Tip.ID = "" }), "tip.id", "0 characters", "1 to 64"},
		{"facility", with(base, func(d *events.DocketReceived) { d.Facility = "F 1" }), "facility", `"F 1"`, "letters"},
		{"number", with(base, func(d *events.DocketReceived) { d.Number = "" }), "number", "0 characters", "1 to 40"},
		{"time", with(base, func(d *events.DocketReceived) { d.WeighedAt = events.Time{} }), "weighedAt", "1970", "2000"},
		{"net", with(base, func(d *events.DocketReceived) { d.NetG = -1 }), "netG", "-1", "grams"},
		{"gross", with(base, func(d *events.DocketReceived) { d.GrossG = ptr(-1) }), "grossG", "-1", "grams"},
		{"tare", with(base, func(d *events.DocketReceived) { d.TareG = ptr(events.MaxMassG + 1) }), "tareG", "100000001", "grams"},
		{"difference", with(base, func(d *events.DocketReceived) { d.GrossG, d.TareG = ptr(19_840_000), ptr(14_000_000) }), "netG", "5280000", "grossG less tareG, 5840000"},
		{"interval", with(base, func(d *events.DocketReceived) { d.ScaleIntervalG = 1_000_001 }), "scaleIntervalG", "1000001", "grams"},
	})
}

func TestWater(t *testing.T) {
	refill := events.WaterRefilled{Start: start, End: end, WaterSource: "WS-1", Volume: litres(1900), BackflowDevice: events.AirGap}
	used := events.WaterUsed{Start: start, End: end, Purpose: events.ForWashing, Volume: *litres(100)}
	gauged := events.TankGauged{Tank: events.FreshTank, Volume: *litres(100)}
	read := events.MeterRead{WaterSource: "WS-1", Meter: "MS-1", ReadingML: 0}
	accept(t, refill, used, gauged, read, with(refill, func(r *events.WaterRefilled) {
		r.Volume, r.MeterStartML, r.MeterEndML = nil, ptr(999_999_999), ptr(1) // a meter that rolled over
	}))
	check(t, []broken{
		{"refill interval", with(refill, func(r *events.WaterRefilled) { r.Start, r.End = end, start }), "end", "08:10", "not before"},
		{"refill source", with(refill, func(r *events.WaterRefilled) { r.WaterSource = "" }), "waterSource", `""`, "1 to 40"},
		{"refill nothing", with(refill, func(r *events.WaterRefilled) { r.Volume, r.MeterEndML = nil, ptr(5) }), "volume", "nothing", "both meterStartML and meterEndML"},
		{"refill volume", with(refill, func(r *events.WaterRefilled) { r.Volume = litres(-1) }), "volume.volumeML", "-1000", "0 to"},
		{"refill meter start", with(refill, func(r *events.WaterRefilled) { r.MeterStartML = ptr(-1) }), "meterStartML", "-1", "millilitres"},
		{"refill meter end", with(refill, func(r *events.WaterRefilled) { r.MeterEndML = ptr(1_000_000_000_000_001) }), "meterEndML", "1000000000000001", "millilitres"},
		{"refill device", with(refill, func(r *events.WaterRefilled) { r.BackflowDevice = "valve" }), "backflowDevice", `"valve"`, "air-gap, reduced-pressure-zone"},
		{"use interval", with(used, func(u *events.WaterUsed) { u.Start, u.End = end, start }), "end", "08:10", "not before"},
		{"use purpose", with(used, func(u *events.WaterUsed) { u.Purpose = "drinking" }), "purpose", `"drinking"`, "washing, flushing, dust, other"},
		{"use volume", with(used, func(u *events.WaterUsed) { u.Volume.Basis = "x" }), "volume.basis", `"x"`, "measured"},
		{"gauge tank", with(gauged, func(g *events.TankGauged) { g.Tank = "fuel" }), "tank", `"fuel"`, "debris, fresh"},
		{"gauge volume", with(gauged, func(g *events.TankGauged) { g.Volume.VolumeML = -1 }), "volume.volumeML", "-1", "0 to"},
		{"meter source", with(read, func(m *events.MeterRead) { m.WaterSource = "" }), "waterSource", `""`, "1 to 40"},
		{"meter name", with(read, func(m *events.MeterRead) { m.Meter = "" }), "meter", "0 characters", "1 to 40"},
		{"meter reading", with(read, func(m *events.MeterRead) { m.ReadingML = -1 }), "readingML", "-1", "millilitres"},
	})
}

func TestDayAndSafety(t *testing.T) {
	crew := func(n int) (ids []events.OperatorID) {
		for range n {
			ids = append(ids, "OP-1")
		}
		return ids
	}
	stop := events.EmergencyStopPressed{Station: events.StationRear}
	care := events.CareRecorded{Task: events.OilChecked, OilDegC: ptr(63)}
	items := func(n int) events.PrestartChecked { return events.PrestartChecked{Items: make([]events.CheckItem, n)} }
	accept(t, events.ShiftStarted{Crew: crew(8)}, events.ShiftStarted{}, events.ShiftEnded{}, events.SiteArrived{}, events.SiteLeft{},
		events.RestStarted{}, events.RestEnded{}, events.StandbyEnded{}, events.PlantRestarted{}, events.EmergencyStopReset{}, stop, care,
		events.PumpEngaged{Pump: events.JetPump}, events.PumpDisengaged{Pump: events.VacuumPump},
		with(stop, func(s *events.EmergencyStopPressed) { s.Cause, s.Attribution = "hose snagged", events.ByUnknown }))
	check(t, []broken{
		{"crew too many", events.ShiftStarted{Crew: crew(9)}, "crew", "9 names", "at most 8"},
		{"crew name", events.ShiftStarted{Crew: []events.OperatorID{"OP-1", "OP 2"}}, "crew.1", `"OP 2"`, "letters"},
		{"facility arrived", events.FacilityArrived{}, "facility", `""`, "1 to 40"},
		{"facility left", events.FacilityLeft{Facility: "a/b"}, "facility", `"a/b"`, "1 to 40"},
		{"standby cause", events.StandbyStarted{Cause: "lunch"}, "cause", `"lunch"`, "awaiting-access, awaiting-client"},
		{"standby note", events.StandbyStarted{Cause: events.Weather, Note: strings.Repeat("x", 401)}, "note", "401 characters", "0 to 400"},
		{"pump engaged", events.PumpEngaged{Pump: "water"}, "pump", `"water"`, "vacuum, jet"},
		{"pump disengaged", events.PumpDisengaged{}, "pump", `""`, "vacuum, jet"},
		{"stop station", events.EmergencyStopPressed{Station: "front"}, "station", `"front"`, "left, right, rear"},
		{"stop cause", with(stop, func(s *events.EmergencyStopPressed) { s.Cause = "a\nb" }), "cause", `"a\nb"`, "without control characters"},
		{"stop side", with(stop, func(s *events.EmergencyStopPressed) { s.Attribution = "nobody" }), "attribution", `"nobody"`, "carrier, client"},
		{"reset note", events.EmergencyStopReset{Note: "\xff"}, "note", `"\xff"`, "valid UTF-8"},
		{"no items", items(0), "items", "0 items", "1 to 100"},
		{"item name", events.PrestartChecked{Items: []events.CheckItem{{Item: "lights"}, {}}}, "items.1.item", "0 characters", "1 to 80"},
		{"item note", events.PrestartChecked{Items: []events.CheckItem{{Item: "lights", Note: strings.Repeat("x", 401)}}}, "items.0.note", "401", "0 to 400"},
		{"care task", with(care, func(r *events.CareRecorded) { r.Task = "polished" }), "task", `"polished"`, "separator-emptied"},
		{"care note", with(care, func(r *events.CareRecorded) { r.Note = "\u2028" }), "note", `"\u2028"`, "control"},
		{"care duration", with(care, func(r *events.CareRecorded) { r.DurationMS = -2 }), "durationMS", "-2", "milliseconds"},
		{"vacuum before", with(care, func(r *events.CareRecorded) { r.BeforeFilterKPa = ptr(103) }), "beforeFilterKPa", "103", "kPa below atmosphere"},
		{"vacuum after", with(care, func(r *events.CareRecorded) { r.AfterFilterKPa = ptr(-1) }), "afterFilterKPa", "-1", "kPa below atmosphere"},
		{"oil", with(care, func(r *events.CareRecorded) { r.OilDegC = ptr(301) }), "oilDegC", "301", "degrees Celsius"},
	})
	c := &events.Check{}
	if items(101).Check(c); c.Err() == nil || !strings.HasPrefix(c.Err().Error(), "items: found 101 items") {
		t.Errorf("101 items: %v", c.Err())
	}
}

func TestCorrections(t *testing.T) {
	void := events.EntryVoided{Refers: tip, Reason: "entered twice", Author: "M. Yardley"}
	fix := events.EntryCorrected{Refers: tip, Reason: "read wrongly", Author: "M. Yardley",
		Replacement: events.Replacement{Body: events.ShiftEnded{}}}
	issued := events.ReportIssued{Report: "manifest", Number: "MF-1", From: start, To: end, TimeZone: "Europe/Dublin", Position: 1 << 53,
		Digest: strings.Repeat("0a", 32), Author: "M. Yardley"}
	accept(t, void, fix, issued, with(fix, func(e *events.EntryCorrected) {
		e.Replacement = events.Replacement{Occurred: end, Operator: "OP-2", Job: "J-2", Body: load()}
	}))
	replaced := func(r events.Replacement) events.EntryCorrected {
		return with(fix, func(e *events.EntryCorrected) { e.Replacement = r })
	}
	check(t, []broken{
		{"void of nothing", with(void, func(e *events.EntryVoided) { e.Refers.Source = "" }), "refers.source", `""`, "/office/NAME"},
		{"void without reason", with(void, func(e *events.EntryVoided) { e.Reason = "" }), "reason", "0 characters", "1 to 400"},
		{"void without author", with(void, func(e *events.EntryVoided) { e.Author = "" }), "author", "0 characters", "1 to 80"},
		{"correction of nothing", with(fix, func(e *events.EntryCorrected) { e.Refers.ID = "" }), "refers.id", "0 characters", "1 to 64"},
		{"correction without reason", with(fix, func(e *events.EntryCorrected) { e.Reason = "" }), "reason", "0 characters", "1 to 400"},
		{"correction without author", with(fix, func(e *events.EntryCorrected) { e.Author = "" }), "author", "0 characters", "1 to 80"},
		{"without replacement", replaced(events.Replacement{}), "replacement.type", "nothing", "the kind of the entry"},
		{"replaced by a correction", replaced(events.Replacement{Body: void}), "replacement.type", "entry.voided", "send a new entry.voided event instead"},
		{"replaced by a revision", replaced(events.Replacement{Body: events.RegisterRevised{}}), "replacement.type", "register.revised", "send a new"},
		{"replaced time", replaced(events.Replacement{Occurred: events.Time{UnixMS: 1}, Body: load()}), "replacement.time", "1970", "2000"},
		{"replaced operator", replaced(events.Replacement{Operator: "_", Body: load()}), "replacement.operator", `"_"`, "letter or digit"},
		{"replaced job", replaced(events.Replacement{Job: "J.1", Body: load()}), "replacement.job", `"J.1"`, "letters"},
		{"replaced payload", replaced(events.Replacement{Body: with(load(), func(l *events.LoadCollected) { l.Material = "" })}), "replacement.data.material", `""`, "1 to 40"},
		{"report name", with(issued, func(r *events.ReportIssued) { r.Report = "" }), "report", `""`, "1 to 40"},
		{"report number", with(issued, func(r *events.ReportIssued) { r.Number = "" }), "number", "0 characters", "1 to 40"},
		{"report from", with(issued, func(r *events.ReportIssued) { r.From.OffsetMinutes = 18*60 + 1 }), "from", "+18:01", "within 18 hours"},
		{"report to", with(issued, func(r *events.ReportIssued) { r.To = r.From }), "to", "08:10", "after from"},
		{"report far to", with(issued, func(r *events.ReportIssued) { r.To.UnixMS = 4_102_444_800_000 }), "to", "2100", "2099"},
		{"report zone", with(issued, func(r *events.ReportIssued) { r.TimeZone = "" }), "timeZone", "0 characters", "1 to 60"},
		{"report client", with(issued, func(r *events.ReportIssued) { r.Client = "C 1" }), "client", `"C 1"`, "letters"},
		{"report job", with(issued, func(r *events.ReportIssued) { r.Job = "é" }), "job", `"é"`, "letters"},
		{"report truck", with(issued, func(r *events.ReportIssued) { r.Truck = "-" }), "truck", `"-"`, "letter or digit"},
		{"report digest", with(issued, func(r *events.ReportIssued) { r.Digest = "ab" }), "digestSHA256", "2 characters", "64 to 64"},
		{"report author", with(issued, func(r *events.ReportIssued) { r.Author = "" }), "author", "0 characters", "1 to 80"},
		{"report profile", with(issued, func(r *events.ReportIssued) { r.Profile = "a b" }), "profile", `"a b"`, "letters"},
		{"report rest", with(issued, func(r *events.ReportIssued) { r.Rest = "_" }), "rest", `"_"`, "letter or digit"},
		{"report allocation", with(issued, func(r *events.ReportIssued) { r.Allocation = "é" }), "allocation", `"é"`, "letters"},
		{"report axle rule", with(issued, func(r *events.ReportIssued) { r.AxleRule = "-" }), "axleRule", `"-"`, "letter or digit"},
		{"report altitude", with(issued, func(r *events.ReportIssued) { r.AltitudeM = 6001 }), "altitudeM", "6001", "-500 to 6000"},
		{"report position", with(issued, func(r *events.ReportIssued) { r.Position++ }), "position", "larger", "2^53"},
	})
}
