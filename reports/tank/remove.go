package tank

// taking says what a removal does to how certain the tank's contents are.
//
// A removal of a portion leaves what is taken and what stays as certain, in
// proportion, as the whole was: scaled. One that was measured by itself, as a decant
// is, is as certain as that measurement, own, and what stays is as uncertain as the
// whole was and as the measurement together. own is shared out over the parcels by
// the mass that each gave of massG.
//
// Solids are not measured by themselves on their way out: what is taken of them and
// what stays is as certain, in proportion, as they all were, own apart. A tip by mass
// takes solids by what share of the tank's mass it is, so that the tank's mass is in own,
// too. It hangs together with the solids, which is left out: of what was taken the
// figure is too large, and of what stays too small by three tenths at most.
type taking struct {
	scaled bool
	own    doubt
	massG  int64

	gone    doubt    // of what the parcels brought, as far as it was taken
	removed doubt    // of what was measured out before, as far as it was taken
	keep    bool     // whether to keep the parts taken
	parts   Contents // as parcels, when they are kept
}

// removeMixed takes solids and water from all parcels in proportion to what each
// holds of them, by largest remainder. It takes no more than the tank holds and
// returns a share for each parcel that gave something.
func (f *fold) removeMixed(solidsG, waterG int64, t *taking) []Share {
	before := Phases{f.held.solidsG, f.held.waterG}
	f.splitMixed(f.parcels, solidsG, waterG)
	shares := make([]Share, 0, len(f.parcels))
	for i := range f.parcels {
		shares = f.take(shares, i, f.solidsGiven[i], f.waterGiven[i], t)
	}
	f.settle(before, t)
	return f.measure(shares)
}

// splitMixed divides solids and water among parcels by what each holds of them, into
// solidsGiven and waterGiven.
func (f *fold) splitMixed(from Contents, solidsG, waterG int64) {
	n := len(from)
	f.weights, f.solidsGiven, f.waterGiven = resize(f.weights, n), resize(f.solidsGiven, n), resize(f.waterGiven, n)
	for i := range from {
		f.weights[i] = from[i].SolidsG
	}
	f.rests = apportion(f.solidsGiven, solidsG, f.weights, f.rests)
	for i := range from {
		f.weights[i] = from[i].WaterG
	}
	f.rests = apportion(f.waterGiven, waterG, f.weights, f.rests)
}

// removeOldest takes an amount from the oldest parcels first, where size says how
// much of the amount's kind, mass or volume, a parcel is. The last parcel that gives
// is well mixed in itself.
func (f *fold) removeOldest(amount int64, size func(*Parcel) int64, t *taking) []Share {
	before := Phases{f.held.solidsG, f.held.waterG}
	shares := []Share{}
	for i := range f.parcels {
		if amount <= 0 {
			break
		}
		p := &f.parcels[i]
		whole := size(p)
		if whole <= amount {
			shares = f.take(shares, i, p.SolidsG, p.WaterG, t)
			amount -= whole
			continue
		}
		part := Phases{p.SolidsG, p.WaterG}.part(mulDiv(p.SolidsG+p.WaterG, amount, whole))
		shares = f.take(shares, i, part.SolidsG, part.WaterG, t)
		amount = 0
	}
	f.settle(before, t)
	return f.measure(shares)
}

func (f *fold) take(shares []Share, i int, solidsG, waterG int64, t *taking) []Share {
	if solidsG == 0 && waterG == 0 {
		return shares
	}
	p := &f.parcels[i]
	massG := solidsG + waterG
	taken := *p
	taken.SolidsG, taken.WaterG = solidsG, waterG
	measured := t.own.part(massG, t.massG)
	gives, has := Phases{solidsG, waterG}, Phases{p.SolidsG, p.WaterG}
	taken.own, p.own = p.own.split(gives, has, t.scaled)
	taken.drained, p.drained = p.drained.split(gives, has, t.scaled)
	taken.drained, p.drained = taken.drained.plus(measured), p.drained.plus(measured)
	t.gone = t.gone.plus(taken.own)
	if t.keep {
		t.parts = append(t.parts, taken)
	}
	p.SolidsG -= solidsG
	p.WaterG -= waterG
	known := taken.own.plus(taken.drained)
	// The volume is in microlitres until measure makes the shares sum to the whole.
	return append(shares, Share{Job: p.Job, Material: p.Material, Position: p.Position, Cites: p.Cites,
		SolidsG: solidsG, WaterG: waterG, VolumeML: waterG*1000 + solidsUL(solidsG, p.ParticleDensityKgPerM3),
		ToleranceG: known.mass.root(), ToleranceML: known.volume.root(), ToleranceSolidsG: known.solids.root(), own: taken.own, drained: taken.drained,
		ParticleDensityKgPerM3: p.ParticleDensityKgPerM3})
}

// measure turns the shares' volumes into millilitres that sum to their whole.
func (f *fold) measure(shares []Share) []Share {
	n := len(shares)
	f.solidsGiven, f.weights = resize(f.solidsGiven, n), resize(f.weights, n)
	var wholeUL int64
	for i := range shares {
		f.weights[i] = shares[i].VolumeML
		wholeUL += shares[i].VolumeML
	}
	f.rests = apportion(f.solidsGiven, roundML(wholeUL), f.weights, f.rests)
	for i := range shares {
		shares[i].VolumeML = f.solidsGiven[i]
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
