package tank_test

import (
	"testing"

	"spoilbook/events"
	"spoilbook/reports/tank"
)

// Soil of a material that the register does not know, at a density that the entry
// states and without a moisture, is all solids; without a density it is the usual soil:
// 1000 L at 1900 kg/m3 with 15 % of moisture, 1652.174 kg of solids.
func TestBankSoilOfUnknownMaterial(t *testing.T) {
	y := newYard()
	y.at("J-1", events.LoadCollected{Material: "M-WHAT", Bank: &events.BankSoil{Volume: *measuredML(1_000_000), BulkDensityGPerM3: 1_800_000}})
	y.at("J-1", events.LoadCollected{Material: "M-WHAT", Bank: &events.BankSoil{Volume: *measuredML(1_000_000)}})
	l := y.fold(tank.Options{}).Loads
	if l[0].SolidsG != 1_800_000 || l[0].WaterG != 0 || l[0].Basis != events.Assumed {
		t.Errorf("stated density: %d g of solids and %d g of water, %s; want 1800000, 0, assumed", l[0].SolidsG, l[0].WaterG, l[0].Basis)
	}
	if l[1].SolidsG != 1_652_174 || l[1].WaterG != 247_826 || l[1].Basis != events.Assumed {
		t.Errorf("usual soil: %d g of solids and %d g of water, %s; want 1652174, 247826, assumed", l[1].SolidsG, l[1].WaterG, l[1].Basis)
	}
}
