package tank

// removeMixed takes solids and water from all parcels in proportion to what each
// holds of them, by largest remainder. It takes no more than the tank holds and
// returns a share for each parcel that gave something.
func (f *fold) removeMixed(solidsG, waterG int64) []Share {
	n := len(f.parcels)
	f.given, f.solidsWeights, f.waterWeights = resize(f.given, n), resize(f.solidsWeights, n), resize(f.waterWeights, n)
	for i := range f.parcels {
		f.solidsWeights[i], f.waterWeights[i] = f.parcels[i].SolidsG, f.parcels[i].WaterG
	}
	f.rests = apportion(f.given, solidsG, f.solidsWeights, f.rests)
	f.solidsWeights, f.given = f.given, f.solidsWeights
	f.rests = apportion(f.given, waterG, f.waterWeights, f.rests)
	shares := make([]Share, 0, n)
	for i := range f.parcels {
		shares = f.take(shares, i, f.solidsWeights[i], f.given[i])
	}
	f.settle()
	return f.measure(shares)
}

// removeOldest takes an amount from the oldest parcels first, where size says how
// much of the amount's kind, mass or volume, a parcel is. The last parcel that gives
// is well mixed in itself.
func (f *fold) removeOldest(amount int64, size func(*Parcel) int64) []Share {
	shares := []Share{}
	for i := range f.parcels {
		if amount <= 0 {
			break
		}
		p := &f.parcels[i]
		whole := size(p)
		if whole <= amount {
			shares = f.take(shares, i, p.SolidsG, p.WaterG)
			amount -= whole
			continue
		}
		part := Phases{p.SolidsG, p.WaterG}.part(mulDiv(p.SolidsG+p.WaterG, amount, whole))
		shares = f.take(shares, i, part.SolidsG, part.WaterG)
		amount = 0
	}
	f.settle()
	return f.measure(shares)
}

func (f *fold) take(shares []Share, i int, solidsG, waterG int64) []Share {
	if solidsG == 0 && waterG == 0 {
		return shares
	}
	p := &f.parcels[i]
	p.SolidsG -= solidsG
	p.WaterG -= waterG
	// The volume is in microlitres until measure makes the shares sum to the whole.
	return append(shares, Share{Job: p.Job, Material: p.Material, Position: p.Position, Cites: p.Cites,
		SolidsG: solidsG, WaterG: waterG, VolumeML: waterG*1000 + solidsUL(solidsG, p.ParticleDensityKgPerM3)})
}

// measure turns the shares' volumes into millilitres that sum to their whole.
func (f *fold) measure(shares []Share) []Share {
	n := len(shares)
	f.given, f.waterWeights = resize(f.given, n), resize(f.waterWeights, n)
	var wholeUL int64
	for i := range shares {
		f.waterWeights[i] = shares[i].VolumeML
		wholeUL += shares[i].VolumeML
	}
	f.rests = apportion(f.given, roundML(wholeUL), f.waterWeights, f.rests)
	for i := range shares {
		shares[i].VolumeML = f.given[i]
	}
	return shares
}

func sumShares(shares []Share) (solidsG, waterG, volumeML int64) {
	for i := range shares {
		solidsG += shares[i].SolidsG
		waterG += shares[i].WaterG
		volumeML += shares[i].VolumeML
	}
	return solidsG, waterG, volumeML
}

func resize(s []int64, n int) []int64 {
	if cap(s) < n {
		return make([]int64, n)
	}
	return s[:n]
}
