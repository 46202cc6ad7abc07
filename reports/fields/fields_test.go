package fields_test

import (
	"reflect"
	"slices"
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports/fields"
)

// samples are entries in which every member says something.
func samples() []events.Document {
	return []events.Document{
		events.Carrier{Name: "Tarnmoor Groundworks", Address: "Yard Lane", Registration: "WC-1", TaxNumber: "T1", Phone: "+1"},
		events.Truck{Name: "Heron", Registration: "261-TR-1", Carrier: "TARNMOOR", DebrisCapacityL: 6000, FreshCapacityL: 2000, TareKg: 14500, PermittedGrossKg: 26000, LevelTolerancePermille: 15, DumpMinutes: 90,
			Axles: []events.Axle{{Name: "front", TareKg: 6000, PermittedKg: 8000}, {Name: "rear", FromFrontMM: 4200, TareKg: 8500, PermittedKg: 18000}}, DebrisTankFromFrontMM: 3000, FreshTankFromFrontMM: -100,
			DebrisTankDiameterMM: 1600, DebrisTankLengthMM: 3000, DebrisStrapping: []events.StrappingPoint{{}, {LevelMM: 100, VolumeL: 300}}, FreshStrapping: []events.StrappingPoint{{LevelMM: 50, VolumeL: 20}}},
		events.Operator{Name: "Orla", Card: "C-1"},
		events.Client{Name: "Orlath", Address: "Mill Lane", TaxNumber: "T2", Contact: "the desk"},
		events.Job{Client: "C-1", Name: "Mill Lane", SiteAddress: "Mill Lane, Tarnmoor", OrderNumber: "O-1", TimeZone: "Europe/Dublin", RateCard: "RC-1", Material: "M-1", IndustryCode: "36.00"},
		events.Material{Description: "clay", WasteCode: "17 05 04", Hazardous: true, ClassifiedBy: "x", ClassificationBasis: "y", ParticleDensityKgPerM3: 2650, SlurryDensityKgPerM3: 1300, BankDensityKgPerM3: 1900, MoisturePermille: 155, BedVoidRatioPermille: 1050},
		events.Facility{Name: "Gorse", Address: "Gorse Road", Class: events.LandfillClass, Permit: "P-1", PermitFrom: "2026-01-01", PermitTo: "2026-12-31", AcceptedCodes: []string{"17 05 04", "17 05 06"}, WeighbridgeIntervalKg: 20, GateFeePerTonne: "32.50", Currency: "EUR", TimeZone: "Europe/Dublin"},
		events.WaterSource{Name: "standpipe", Use: events.MainsStandpipe, Permit: "P", Meter: "SP-1", MeterTolerancePermille: 20, DailyCapL: 9000, BackflowRequired: true, TimeZone: "UTC"},
		events.Outfall{Name: "lagoon", To: "settlement lagoon", Consent: "C", ConsentFrom: "2026-01-01", ConsentTo: "2026-12-31", DailyLimitL: 5000, TurbidityLimitNTU: 60, TurbidityWeeklyAverage: true, SuspendedSolidsLimitMGPerL: 50, PHMinHundredths: 600, PHMaxHundredths: 905, TimeZone: "UTC"},
		events.RateCard{Name: "Day work", Currency: "EUR", Rates: []events.ActivityRate{{Activity: events.Loading, HourlyRate: "135.00"}, {Activity: events.Standby, HourlyRate: "90"}},
			Bands:   []events.Band{{Name: "night", Days: []string{"mon", "holiday"}, From: "22:00", To: "06:00", Multiplier: "1.50"}},
			Minimum: events.Minimum{Minutes: 240, Per: "visit"}, Rounding: events.Rounding{IncrementMinutes: 15, Mode: "up", Per: "line"}, FreeStandbyMinutes: 30, TravelCapMinutes: 60,
			CarrierBears: []events.StandbyCause{events.Weather, events.Breakdown}, CarrierBearsStops: []events.Attribution{events.ByThirdParty}, Spoil: events.SpoilRate{Per: "tonne", Rate: "28.00"},
			GateFees: events.GateFeeRule{PassOn: true, MarkupPercent: "7.5"}, WaterPerKL: "3.20", Fees: []events.Fee{{Name: "wash", Amount: "45.00", Per: "tip"}}, Calendar: "IE", Tax: "VAT", TaxPer: "line", MoneyRounding: "half-even"},
		events.Calendar{Name: "Ireland", Holidays: []events.Holiday{{Date: "2026-10-26", Name: "October holiday"}}},
		events.Tax{Name: "VAT", RatePercent: "23.0"},
	}
}

// Every member of every register has a field, and filling in what an entry says gives the entry.
func TestEntriesSurviveBeingFilledIn(t *testing.T) {
	seen := []events.Register{}
	for _, d := range samples() {
		seen = append(seen, d.Register())
		s := fields.Of(d.Register())
		values, err := s.Values(d)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range s.Fields {
			if f.Label == "" || values[f.Path] == "" {
				t.Errorf("%s: field %+v is %q", d.Register(), f, values[f.Path])
			}
		}
		for _, g := range s.Groups {
			if g.Items(values) == 0 || g.Label == "" || g.Item == "" || len(g.Fields) == 0 {
				t.Errorf("%s: list %+v", d.Register(), g)
			}
		}
		if d.Register() == events.TruckRegister {
			delete(values, "debrisStrapping.0.levelMM") // nothing and nothing is what a line left blank says
			delete(values, "debrisStrapping.0.volumeL")
			values["debrisStrapping.0.levelMM"] = "0"
		}
		got, wrong := s.Document(values)
		if wrong != nil || !reflect.DeepEqual(got, d) {
			t.Errorf("%s: %v\n%+v\n%+v", d.Register(), wrong, got, d)
		}
	}
	slices.Sort(seen)
	if !slices.Equal(seen, events.Registers()) {
		t.Errorf("samples of %v", seen)
	}
}

func TestValuesAreInPeoplesUnits(t *testing.T) {
	for i, want := range map[int]map[string]string{1: {"levelTolerancePermille": "1.5", "axles.1.fromFrontMM": "4200", "freshTankFromFrontMM": "-100"}, 5: {"moisturePermille": "15.5", "bedVoidRatioPermille": "1.05", "hazardous": "yes"}, 8: {"pHMaxHundredths": "9.05", "pHMinHundredths": "6"}, 6: {"acceptedCodes": "17 05 04, 17 05 06"}} {
		d := samples()[i]
		s := fields.Of(d.Register())
		values, err := s.Values(d)
		if err != nil {
			t.Fatal(err)
		}
		for path, text := range want {
			if values[path] != text {
				t.Errorf("%s is %q, want %q", path, values[path], text)
			}
		}
	}
}

func TestWhatIsWrongIsToldAtTheField(t *testing.T) {
	truck := samples()[1]
	s := fields.Of(events.TruckRegister)
	base, err := s.Values(truck)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ path, value, at, says string }{
		{"name", "", "name", "1 to 80"}, {"tareKg", "heavy", "tareKg", "a whole number"}, {"tareKg", "1.5", "tareKg", "a whole number"}, {"tareKg", "", "tareKg", "kilograms"}, {"levelTolerancePermille", "1.55", "levelTolerancePermille", "at most 1 decimals"},
		{"permittedGrossKg", "100", "permittedGrossKg", "at least the tare"}, {"axles.1.name", "", "axles.1.name", "1 to 40"}, {"axles.4.name", "third", "axles.4.permittedKg", "kilograms"}, {"carrier", "no key", "carrier", "letters"},
	} {
		values := map[string]string{}
		for k, v := range base {
			values[k] = v
		}
		values[c.path] = c.value
		d, wrong := s.Document(values)
		if d != nil || len(wrong) == 0 || wrong[0].Field != c.at || !strings.Contains(wrong[0].Allowed, c.says) {
			t.Errorf("%s = %q: %v, %+v", c.path, c.value, d, wrong)
		}
	}
	values := map[string]string{"name": "VAT", "ratePercent": "23,5"}
	tax := fields.Of(events.TaxRegister)
	if d, wrong := tax.Document(values); wrong != nil || d.(events.Tax).RatePercent != "23.5" {
		t.Errorf("a decimal comma: %v, %v", d, wrong)
	}
}
