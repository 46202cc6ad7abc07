package events_test

import (
	"strings"
	"testing"

	"spoilbook/events"
)

// revised wraps a document so that it can be checked as a payload.
func revised(d events.Document) events.RegisterRevised {
	return events.RegisterRevised{Key: "K-1", EffectiveFrom: start, Author: "Yard office", Document: d}
}

// documents checks documents as check does payloads.
func documents(t *testing.T, table []brokenDocument) {
	t.Helper()
	bodies := make([]broken, 0, len(table))
	for _, b := range table {
		bodies = append(bodies, broken{b.rule, revised(b.document), "document." + b.field, b.found, b.allowed})
	}
	check(t, bodies)
}

type brokenDocument struct {
	rule                  string
	document              events.Document
	field, found, allowed string
}

func TestRegisterRevised(t *testing.T) {
	base := revised(events.Operator{Name: "A. Fenwright"})
	accept(t, base)
	check(t, []broken{
		{"key", with(base, func(r *events.RegisterRevised) { r.Key = "" }), "key", `""`, "1 to 40"},
		{"time", with(base, func(r *events.RegisterRevised) { r.EffectiveFrom = events.Time{} }), "effectiveFrom", "1970", "2000"},
		{"author", with(base, func(r *events.RegisterRevised) { r.Author = "" }), "author", "0 characters", "1 to 80"},
		{"note", with(base, func(r *events.RegisterRevised) { r.Note = strings.Repeat("x", 401) }), "note", "401", "0 to 400"},
		{"no document", with(base, func(r *events.RegisterRevised) { r.Document = nil }), "document", "nothing", "the entry"},
	})
}

func TestFleetDocuments(t *testing.T) {
	carrier := events.Carrier{Name: "Tarnmoor Groundworks", Address: "1 Quay Road, Tarnmoor"}
	truck := events.Truck{Name: "Heron", Registration: "261-TR-101", Carrier: "TARNMOOR", DebrisCapacityL: 6000, FreshCapacityL: 2000,
		TareKg: 14_500, PermittedGrossKg: 26_000, Axles: []events.Axle{{Name: "front", PermittedKg: 8000}}}
	axle := func(change func(*events.Axle)) events.Truck {
		return with(truck, func(d *events.Truck) { d.Axles = []events.Axle{truck.Axles[0], with(truck.Axles[0], change)} })
	}
	client := events.Client{Name: "Tarnmoor Harbour Works", Address: "Pier House, Tarnmoor"}
	job := events.Job{Client: "C-1", Name: "Ducts", SiteAddress: "Quay Road", TimeZone: "Europe/Dublin", RateCard: "RC-1"}
	accept(t, revised(carrier), revised(truck), revised(client), revised(job))
	documents(t, []brokenDocument{
		{"carrier name", with(carrier, func(d *events.Carrier) { d.Name = "" }), "name", "0 characters", "1 to 80"},
		{"carrier address", with(carrier, func(d *events.Carrier) { d.Address = strings.Repeat("x", 201) }), "address", "201", "1 to 200"},
		{"carrier registration", with(carrier, func(d *events.Carrier) { d.Registration = "\t" }), "registration", `"\t"`, "control"},
		{"carrier tax number", with(carrier, func(d *events.Carrier) { d.TaxNumber = strings.Repeat("1", 41) }), "taxNumber", "41", "0 to 40"},
		{"carrier phone", with(carrier, func(d *events.Carrier) { d.Phone = strings.Repeat("1", 41) }), "phone", "41", "0 to 40"},
		{"truck name", with(truck, func(d *events.Truck) { d.Name = "" }), "name", "0 characters", "1 to 80"},
		{"truck registration", with(truck, func(d *events.Truck) { d.Registration = "" }), "registration", "0 characters", "1 to 20"},
		{"truck carrier", with(truck, func(d *events.Truck) { d.Carrier = "" }), "carrier", `""`, "1 to 40"},
		{"debris capacity in m3", with(truck, func(d *events.Truck) { d.DebrisCapacityL = 6 }), "debrisCapacityL", "6", "100 to 50000 (litres)"},
		{"fresh capacity", with(truck, func(d *events.Truck) { d.FreshCapacityL = -1 }), "freshCapacityL", "-1", "litres"},
		{"tare in tonnes", with(truck, func(d *events.Truck) { d.TareKg = 14 }), "tareKg", "14", "1000 to 60000"},
		{"gross below tare", with(truck, func(d *events.Truck) { d.PermittedGrossKg = 14_499 }), "permittedGrossKg", "14499", "14500 to 100000 (kilograms, at least the tare)"},
		{"level tolerance", with(truck, func(d *events.Truck) { d.LevelTolerancePermille = 501 }), "levelTolerancePermille", "501", "thousandths"},
		{"dump minutes", with(truck, func(d *events.Truck) { d.DumpMinutes = 1441 }), "dumpMinutes", "1441", "minutes"},
		{"debris tank place", with(truck, func(d *events.Truck) { d.DebrisTankFromFrontMM = -5001 }), "debrisTankFromFrontMM", "-5001", "millimetres"},
		{"fresh tank place", with(truck, func(d *events.Truck) { d.FreshTankFromFrontMM = 20_001 }), "freshTankFromFrontMM", "20001", "millimetres"},
		{"tank diameter", with(truck, func(d *events.Truck) { d.DebrisTankDiameterMM = 4001 }), "debrisTankDiameterMM", "4001", "millimetres"},
		{"tank length", with(truck, func(d *events.Truck) { d.DebrisTankLengthMM = -1 }), "debrisTankLengthMM", "-1", "millimetres"},
		{"axle name", axle(func(a *events.Axle) { a.Name = "" }), "axles.1.name", "0 characters", "1 to 40"},
		{"axle place", axle(func(a *events.Axle) { a.FromFrontMM = -1 }), "axles.1.fromFrontMM", "-1", "millimetres"},
		{"axle tare", axle(func(a *events.Axle) { a.TareKg = 40_001 }), "axles.1.tareKg", "40001", "kilograms"},
		{"axle permitted", axle(func(a *events.Axle) { a.PermittedKg = 0 }), "axles.1.permittedKg", "0", "1 to 60000"},
		{"operator name", events.Operator{}, "name", "0 characters", "1 to 80"},
		{"operator card", events.Operator{Name: "A", Card: strings.Repeat("1", 41)}, "card", "41", "0 to 40"},
		{"client name", with(client, func(d *events.Client) { d.Name = "" }), "name", "0 characters", "1 to 80"},
		{"client address", with(client, func(d *events.Client) { d.Address = "" }), "address", "0 characters", "1 to 200"},
		{"client tax number", with(client, func(d *events.Client) { d.TaxNumber = "\x00" }), "taxNumber", `"\x00"`, "control"},
		{"client contact", with(client, func(d *events.Client) { d.Contact = strings.Repeat("1", 81) }), "contact", "81", "0 to 80"},
		{"job client", with(job, func(d *events.Job) { d.Client = "" }), "client", `""`, "1 to 40"},
		{"job name", with(job, func(d *events.Job) { d.Name = "" }), "name", "0 characters", "1 to 80"},
		{"job site", with(job, func(d *events.Job) { d.SiteAddress = "" }), "siteAddress", "0 characters", "1 to 200"},
		{"job order", with(job, func(d *events.Job) { d.OrderNumber = strings.Repeat("1", 41) }), "orderNumber", "41", "0 to 40"},
		{"job zone", with(job, func(d *events.Job) { d.TimeZone = "" }), "timeZone", "0 characters", "1 to 60"},
		{"job rate card", with(job, func(d *events.Job) { d.RateCard = "" }), "rateCard", `""`, "1 to 40"},
		{"job material", with(job, func(d *events.Job) { d.Material = "M 1" }), "material", `"M 1"`, "letters"},
		{"job industry", with(job, func(d *events.Job) { d.IndustryCode = strings.Repeat("1", 21) }), "industryCode", "21", "0 to 20"},
	})
	c := &events.Check{}
	if (events.Truck{Axles: make([]events.Axle, 10)}).Check(c); !strings.Contains(c.Err().Error(), "axles: found 10 axles; allowed: at most 9") {
		t.Errorf("ten axles: %v", c.Err())
	}
}

func TestWasteDocuments(t *testing.T) {
	material := events.Material{Description: "soil and stones", WasteCode: "17 05 04", ParticleDensityKgPerM3: 2650, SlurryDensityKgPerM3: 1400}
	facility := events.Facility{Name: "Tarnmoor Soil Recovery", Address: "Moor Lane", Class: events.SoilRecoveryClass, TimeZone: "Europe/Dublin"}
	source := events.WaterSource{Name: "Quay standpipe", Use: events.MainsStandpipe, TimeZone: "Europe/Dublin"}
	outfall := events.Outfall{Name: "Moor Lane lagoon", To: "settlement lagoon", TimeZone: "Europe/Dublin"}
	accept(t, revised(material), revised(facility), revised(source), revised(outfall),
		revised(with(facility, func(d *events.Facility) { d.PermitFrom, d.PermitTo = "2026-10-05", "2026-10-05" })))
	documents(t, []brokenDocument{
		{"material description", with(material, func(d *events.Material) { d.Description = "" }), "description", "0 characters", "1 to 200"},
		{"material code", with(material, func(d *events.Material) { d.WasteCode = "" }), "wasteCode", "0 characters", "1 to 20"},
		{"classified by", with(material, func(d *events.Material) { d.ClassifiedBy = strings.Repeat("x", 81) }), "classifiedBy", "81", "0 to 80"},
		{"classification basis", with(material, func(d *events.Material) { d.ClassificationBasis = strings.Repeat("x", 201) }), "classificationBasis", "201", "0 to 200"},
		{"particle density in t", with(material, func(d *events.Material) { d.ParticleDensityKgPerM3 = 5001 }), "particleDensityKgPerM3", "5001", "1100 to 5000"},
		{"slurry denser than its solids", with(material, func(d *events.Material) { d.SlurryDensityKgPerM3 = 2651 }), "slurryDensityKgPerM3", "2651", "1000 to 2650"},
		{"slurry lighter than water", with(material, func(d *events.Material) { d.SlurryDensityKgPerM3 = 999 }), "slurryDensityKgPerM3", "999", "1000 to"},
		{"bank density", with(material, func(d *events.Material) { d.BankDensityKgPerM3 = 19 }), "bankDensityKgPerM3", "19", "500 to 4000"},
		{"moisture", with(material, func(d *events.Material) { d.MoisturePermille = -1 }), "moisturePermille", "-1", "thousandths"},
		{"void ratio", with(material, func(d *events.Material) { d.BedVoidRatioPermille = 10_001 }), "bedVoidRatioPermille", "10001", "thousandths"},
		{"facility name", with(facility, func(d *events.Facility) { d.Name = "" }), "name", "0 characters", "1 to 80"},
		{"facility address", with(facility, func(d *events.Facility) { d.Address = "" }), "address", "0 characters", "1 to 200"},
		{"facility class", with(facility, func(d *events.Facility) { d.Class = "tip" }), "class", `"tip"`, "landfill, liquid-treatment, soil-recovery"},
		{"permit", with(facility, func(d *events.Facility) { d.Permit = strings.Repeat("x", 41) }), "permit", "41", "0 to 40"},
		{"permit from", with(facility, func(d *events.Facility) { d.PermitFrom = "1.1.2026" }), "permitFrom", `"1.1.2026"`, "2026-10-26"},
		{"permit to", with(facility, func(d *events.Facility) { d.PermitTo = "2026-02-29" }), "permitTo", `"2026-02-29"`, "a date"},
		{"permit ends first", with(facility, func(d *events.Facility) { d.PermitFrom, d.PermitTo = "2026-10-06", "2026-10-05" }), "permitTo", "2026-10-05", "not before permitFrom 2026-10-06"},
		{"too many codes", with(facility, func(d *events.Facility) { d.AcceptedCodes = strings.Split(strings.Repeat("x,", 200)+"x", ",") }), "acceptedCodes", "201 codes", "at most 200"},
		{"empty code", with(facility, func(d *events.Facility) { d.AcceptedCodes = []string{"17 05 04", ""} }), "acceptedCodes.1", "0 characters", "1 to 20"},
		{"weighbridge interval", with(facility, func(d *events.Facility) { d.WeighbridgeIntervalKg = 1001 }), "weighbridgeIntervalKg", "1001", "kilograms"},
		{"gate fee", with(facility, func(d *events.Facility) { d.GateFeePerTonne, d.Currency = "18,50", "EUR" }), "gateFeePerTonne", `"18,50"`, "decimal"},
		{"negative gate fee", with(facility, func(d *events.Facility) { d.GateFeePerTonne, d.Currency = "-1", "EUR" }), "gateFeePerTonne", `"-1"`, "decimal"},
		{"gate fee in no currency", with(facility, func(d *events.Facility) { d.GateFeePerTonne = "18.50" }), "currency", `""`, "ISO 4217"},
		{"currency", with(facility, func(d *events.Facility) { d.Currency = "eur" }), "currency", `"eur"`, "ISO 4217"},
		{"facility zone", with(facility, func(d *events.Facility) { d.TimeZone = "" }), "timeZone", "0 characters", "1 to 60"},
		{"source name", with(source, func(d *events.WaterSource) { d.Name = "" }), "name", "0 characters", "1 to 80"},
		{"source use", with(source, func(d *events.WaterSource) { d.Use = "river" }), "use", `"river"`, "mains-standpipe, bore, surface, yard, recycled"},
		{"source permit", with(source, func(d *events.WaterSource) { d.Permit = strings.Repeat("x", 41) }), "permit", "41", "0 to 40"},
		{"source meter", with(source, func(d *events.WaterSource) { d.Meter = strings.Repeat("x", 41) }), "meter", "41", "0 to 40"},
		{"meter tolerance", with(source, func(d *events.WaterSource) { d.MeterTolerancePermille = 501 }), "meterTolerancePermille", "501", "thousandths"},
		{"daily cap", with(source, func(d *events.WaterSource) { d.DailyCapL = -1 }), "dailyCapL", "-1", "litres a day"},
		{"source zone", with(source, func(d *events.WaterSource) { d.TimeZone = "" }), "timeZone", "0 characters", "1 to 60"},
		{"outfall name", with(outfall, func(d *events.Outfall) { d.Name = "" }), "name", "0 characters", "1 to 80"},
		{"outfall to", with(outfall, func(d *events.Outfall) { d.To = "" }), "to", "0 characters", "1 to 60"},
		{"consent", with(outfall, func(d *events.Outfall) { d.Consent = strings.Repeat("x", 41) }), "consent", "41", "0 to 40"},
		{"consent from", with(outfall, func(d *events.Outfall) { d.ConsentFrom = "2026" }), "consentFrom", `"2026"`, "a date"},
		{"consent to", with(outfall, func(d *events.Outfall) { d.ConsentTo = "2026-13-01" }), "consentTo", `"2026-13-01"`, "a date"},
		{"consent ends first", with(outfall, func(d *events.Outfall) { d.ConsentFrom, d.ConsentTo = "2026-10-06", "2026-10-05" }), "consentTo", "2026-10-05", "not before consentFrom"},
		{"daily limit", with(outfall, func(d *events.Outfall) { d.DailyLimitL = -1 }), "dailyLimitL", "-1", "litres a day"},
		{"turbidity limit", with(outfall, func(d *events.Outfall) { d.TurbidityLimitNTU = 100_001 }), "turbidityLimitNTU", "100001", "turbidity units"},
		{"solids limit", with(outfall, func(d *events.Outfall) { d.SuspendedSolidsLimitMGPerL = -1 }), "suspendedSolidsLimitMGPerL", "-1", "milligrams per litre"},
		{"least pH", with(outfall, func(d *events.Outfall) { d.PHMinHundredths = -1 }), "pHMinHundredths", "-1", "hundredths"},
		{"greatest pH", with(outfall, func(d *events.Outfall) { d.PHMaxHundredths = 1401 }), "pHMaxHundredths", "1401", "hundredths"},
		{"pH limits crossed", with(outfall, func(d *events.Outfall) { d.PHMinHundredths, d.PHMaxHundredths = 900, 600 }), "pHMaxHundredths", "600", "at least pHMinHundredths 900"},
		{"outfall zone", with(outfall, func(d *events.Outfall) { d.TimeZone = "" }), "timeZone", "0 characters", "1 to 60"},
	})
}

func TestMoneyDocuments(t *testing.T) {
	card := events.RateCard{Name: "Day work", Currency: "EUR", Tax: "VAT", Rates: []events.ActivityRate{{Activity: events.Loading, HourlyRate: "135.00"}}}
	band := events.Band{Name: "night", Days: []string{"mon"}, From: "22:00", To: "06:00", Multiplier: "1.5"}
	banded := func(change func(*events.Band)) events.RateCard {
		return with(card, func(d *events.RateCard) { d.Bands = []events.Band{band, with(band, change)} })
	}
	fee := func(f events.Fee) events.RateCard {
		return with(card, func(d *events.RateCard) { d.Fees = []events.Fee{f} })
	}
	accept(t, revised(card), revised(banded(func(b *events.Band) { b.To = "24:00" })), revised(fee(events.Fee{Name: "tip", Amount: "0", Per: "tip"})))
	documents(t, []brokenDocument{
		{"card name", with(card, func(d *events.RateCard) { d.Name = "" }), "name", "0 characters", "1 to 80"},
		{"card currency", with(card, func(d *events.RateCard) { d.Currency = "EURO" }), "currency", `"EURO"`, "ISO 4217"},
		{"activity", with(card, func(d *events.RateCard) {
			d.Rates = []events.ActivityRate{{Activity: "digging", HourlyRate: "1"}}
		}), "rates.0.activity", `"digging"`, "travel, on-site"},
		{"rate", with(card, func(d *events.RateCard) {
			d.Rates = []events.ActivityRate{{Activity: events.Loading, HourlyRate: ""}}
		}), "rates.0.hourlyRate", `""`, "decimal"},
		{"activity twice", with(card, func(d *events.RateCard) { d.Rates = append(d.Rates, d.Rates[0]) }), "rates.1.activity", "loading twice", "each activity once"},
		{"band name", banded(func(b *events.Band) { b.Name = "" }), "bands.1.name", "0 characters", "1 to 40"},
		{"band days", banded(func(b *events.Band) { b.Days = nil }), "bands.1.days", "nothing", "mon, tue"},
		{"band day", banded(func(b *events.Band) { b.Days = []string{"mon", "Monday"} }), "bands.1.days.1", `"Monday"`, "mon, tue"},
		{"band from", banded(func(b *events.Band) { b.From = "6:00" }), "bands.1.from", `"6:00"`, "HH:MM"},
		{"band to", banded(func(b *events.Band) { b.To = "24:01" }), "bands.1.to", `"24:01"`, "HH:MM"},
		{"multiplier", banded(func(b *events.Band) { b.Multiplier = "-1" }), "bands.1.multiplier", `"-1"`, "decimal"},
		{"minimum minutes", with(card, func(d *events.RateCard) { d.Minimum = events.Minimum{Per: "visit"} }), "minimum.minutes", "0", "1 to 1440"},
		{"minimum per", with(card, func(d *events.RateCard) { d.Minimum = events.Minimum{Minutes: 60} }), "minimum.per", `""`, "visit, day"},
		{"rounding increment", with(card, func(d *events.RateCard) { d.Rounding = events.Rounding{Mode: "up", Per: "line"} }), "rounding.incrementMinutes", "0", "1 to 240"},
		{"rounding mode", with(card, func(d *events.RateCard) { d.Rounding = events.Rounding{IncrementMinutes: 15, Per: "line"} }), "rounding.mode", `""`, "up, nearest, none"},
		{"rounding per", with(card, func(d *events.RateCard) {
			d.Rounding = events.Rounding{IncrementMinutes: 15, Mode: "up", Per: "week"}
		}), "rounding.per", `"week"`, "line, visit, day"},
		{"free standby", with(card, func(d *events.RateCard) { d.FreeStandbyMinutes = -1 }), "freeStandbyMinutes", "-1", "minutes a visit"},
		{"travel cap", with(card, func(d *events.RateCard) { d.TravelCapMinutes = 1441 }), "travelCapMinutes", "1441", "minutes a visit"},
		{"borne cause", with(card, func(d *events.RateCard) { d.CarrierBears = []events.StandbyCause{"weather", "luck"} }), "carrierBears.1", `"luck"`, "awaiting-access"},
		{"borne stop", with(card, func(d *events.RateCard) { d.CarrierBearsStops = []events.Attribution{"luck"} }), "carrierBearsStops.0", `"luck"`, "carrier, client"},
		{"spoil unit", with(card, func(d *events.RateCard) { d.Spoil = events.SpoilRate{Rate: "12"} }), "spoil.per", `""`, "tonne, m3"},
		{"spoil rate", with(card, func(d *events.RateCard) { d.Spoil = events.SpoilRate{Per: "m3"} }), "spoil.rate", `""`, "decimal"},
		{"mark-up", with(card, func(d *events.RateCard) { d.GateFees.MarkupPercent = "5%" }), "gateFees.markupPercent", `"5%"`, "decimal"},
		{"water", with(card, func(d *events.RateCard) { d.WaterPerKL = "." }), "waterPerKL", `"."`, "decimal"},
		{"fee name", fee(events.Fee{Amount: "1", Per: "tip"}), "fees.0.name", "0 characters", "1 to 60"},
		{"fee amount", fee(events.Fee{Name: "tip", Amount: "1e3", Per: "tip"}), "fees.0.amount", `"1e3"`, "decimal"},
		{"fee per", fee(events.Fee{Name: "tip", Amount: "1"}), "fees.0.per", `""`, "visit, tip, day"},
		{"calendar", with(card, func(d *events.RateCard) { d.Calendar = "I E" }), "calendar", `"I E"`, "letters"},
		{"tax", with(card, func(d *events.RateCard) { d.Tax = "" }), "tax", `""`, "1 to 40"},
		{"tax per", with(card, func(d *events.RateCard) { d.TaxPer = "year" }), "taxPer", `"year"`, "line, invoice"},
		{"money rounding", with(card, func(d *events.RateCard) { d.MoneyRounding = "down" }), "moneyRounding", `"down"`, "half-up, half-even"},
		{"calendar name", events.Calendar{}, "name", "0 characters", "1 to 80"},
		{"holiday without date", events.Calendar{Name: "IE", Holidays: []events.Holiday{{Name: "x"}}}, "holidays.0.date", "nothing", "a date"},
		{"holiday date", events.Calendar{Name: "IE", Holidays: []events.Holiday{{Name: "x", Date: "26-10-2026"}}}, "holidays.0.date", `"26-10-2026"`, "a date"},
		{"holiday name", events.Calendar{Name: "IE", Holidays: []events.Holiday{{Date: "2026-10-26"}}}, "holidays.0.name", "0 characters", "1 to 80"},
		{"tax name", events.Tax{RatePercent: "23"}, "name", "0 characters", "1 to 80"},
		{"tax rate", events.Tax{Name: "VAT", RatePercent: "-23"}, "ratePercent", `"-23"`, "decimal"},
	})
}
