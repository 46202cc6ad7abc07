package tank_test

import (
	"testing"

	"spoilbook/events"
	"spoilbook/reports/tank"
)

// A bank density that nobody states does not displace a moisture that the material
// has.
func TestBankOfMaterialWithMoistureAlone(t *testing.T) {
	for moisture, want := range map[int64]tank.Phases{
		0:   {SolidsG: 1_652_174, WaterG: 247_826}, // 1900 kg over 1.15
		240: {SolidsG: 1_532_258, WaterG: 367_742}, // 1900 kg over 1.24
	} {
		y := newYard()
		y.revise("M-LOAM", events.Material{Description: "loam", WasteCode: "17 05 04", ParticleDensityKgPerM3: 2650,
			SlurryDensityKgPerM3: 1300, MoisturePermille: moisture})
		y.at("J-1", events.LoadCollected{Material: "M-LOAM", Bank: &events.BankSoil{Volume: *measuredML(1_000_000)}})
		l := y.fold(tank.Options{}).Loads[0]
		if got := (tank.Phases{SolidsG: l.SolidsG, WaterG: l.WaterG}); got != want || l.Method != tank.ByBankSoil || l.Basis != events.Assumed {
			t.Errorf("moisture %d per mille gives %v by %s, %s; want %v", moisture, got, l.Method, l.Basis, want)
		}
	}
}
