package demo

import (
	"spoilbook/events"
	"spoilbook/reports"
)

// parcel is the part of a tank's contents that is of one material.
type parcel struct {
	material events.Material
	solidsG  int64
	waterG   int64
}

// tank keeps count of a debris tank so that crews do what is physically possible.
// It is deliberately simpler than the ledger's own account and apart from it.
type tank struct{ parcels []parcel }

// solidsML returns the volume of the solid grains.
func (p parcel) solidsML() int64 {
	return reports.MulDiv(p.solidsG, 1000, p.material.ParticleDensityKgPerM3)
}

// boundML returns the water that the settled bed keeps between its grains.
func (p parcel) boundML() int64 {
	return reports.MulDiv(p.solidsML(), p.material.BedVoidRatioPermille, 1000)
}

func (p parcel) volumeML() int64 { return p.solidsML() + p.waterG }

func (t *tank) add(p parcel) { t.parcels = append(t.parcels, p) }

func (t *tank) volumeML() int64 { return t.sum(parcel.volumeML) }

func (t *tank) massG() int64 {
	return t.sum(func(p parcel) int64 { return p.solidsG + p.waterG })
}

// freeML returns the water that stands above the settled bed.
func (t *tank) freeML() int64 {
	return t.sum(func(p parcel) int64 { return p.waterG - p.boundML() })
}

func (t *tank) sum(of func(parcel) int64) int64 {
	total := int64(0)
	for _, p := range t.parcels {
		total += of(p)
	}
	return total
}

// drain takes ml of water out, from each parcel in proportion to its water.
func (t *tank) drain(ml int64) {
	weights := make([]int64, len(t.parcels))
	for i, p := range t.parcels {
		weights[i] = p.waterG
	}
	shares, _ := reports.Apportion(ml, weights)
	for i := range t.parcels {
		t.parcels[i].waterG -= shares[i]
	}
}

// take tips ppm millionths of the contents and returns their mass in grams.
func (t *tank) take(ppm int64) int64 {
	before := t.massG()
	for i := range t.parcels {
		p := &t.parcels[i]
		p.solidsG -= reports.MulDiv(p.solidsG, ppm, 1_000_000)
		p.waterG -= reports.MulDiv(p.waterG, ppm, 1_000_000)
	}
	if ppm == 1_000_000 {
		t.parcels = nil
	}
	return before - t.massG()
}
