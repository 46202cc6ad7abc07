package tank

import (
	"math"
	"math/bits"
)

// square is a sum of three times the squares of expanded uncertainties, two
// standard ones each, kept whole so that comparisons are exact. It stops at its
// largest value.
//
// An instrument's limits count as rectangular, u = limit/sqrt(3) (the usual reading
// of a maximum permissible error), so that three times U squared is 4 limit squared.
type square uint64

func (s square) plus(t square) square {
	sum, carry := bits.Add64(uint64(s), uint64(t), 0)
	if carry != 0 {
		return math.MaxUint64
	}
	return square(sum)
}

func (s *square) times(factor uint64, v int64) {
	hi, lo := bits.Mul64(magnitude(v), magnitude(v))
	over, product := bits.Mul64(lo, factor)
	if hi != 0 || over != 0 {
		product = math.MaxUint64
	}
	*s = s.plus(square(product))
}

// add adds an expanded uncertainty.
func (s *square) add(expanded int64) { s.times(3, expanded) }

// addLimit adds an instrument's limit, plus or minus.
func (s *square) addLimit(limit int64) { s.times(4, limit) }

// addTolerance adds the stated tolerance of an entry's quantity, an instrument's
// limit.
func (s *square) addTolerance(limit int64) { s.addLimit(limit) }

// scaled returns the square of what part has, where whole has s and both are as
// certain in proportion. It rounds and stops at the largest value.
func (s square) scaled(part, whole int64) square {
	switch {
	case part == whole:
		return s
	case part <= 0 || whole <= 0:
		return 0
	}
	if p, w := uint64(part), uint64(whole); p <= math.MaxUint32 && w <= math.MaxUint32 {
		return s.over(p*p, w*w) // any tank of a truck; rounded once
	}
	return s.over(uint64(part), uint64(whole)).over(uint64(part), uint64(whole))
}

func (s square) over(part, whole uint64) square {
	hi, lo := bits.Mul64(uint64(s), part)
	if hi >= whole {
		return math.MaxUint64
	}
	q, r := bits.Div64(hi, lo, whole)
	if r >= whole-r && q < math.MaxUint64 {
		q++
	}
	return square(q)
}

// stated returns the square of a quantity's uncertainty: of its stated limit, at
// most the whole of it, or of the usual part of it where none is stated.
func stated(limit, quantity int64) square {
	s := square(0)
	if limit > 0 {
		s.addLimit(min(limit, quantity))
	} else {
		s.add(usual(quantity))
	}
	return s
}

// usual returns the uncertainty, two standard ones, of a quantity without a stated
// tolerance.
func usual(quantity int64) int64 { return mulDiv(quantity, DefaultTolerancePPM, 1_000_000) }

// usually is the square of usual.
func usually(quantity int64) square {
	s := square(0)
	s.add(usual(quantity))
	return s
}

// doubt is how far a mass in grams, a volume in millilitres and the solids in grams
// may be off. The three hang together, for they come from the same instruments: each is
// right by itself, and none may be added to another as squares.
type doubt struct{ mass, volume, solids square }

func (d doubt) plus(e doubt) doubt {
	return doubt{d.mass.plus(e.mass), d.volume.plus(e.volume), d.solids.plus(e.solids)}
}

// part returns the doubt of a part that is as certain in proportion as the whole.
func (d doubt) part(part, whole int64) doubt {
	return doubt{d.mass.scaled(part, whole), d.volume.scaled(part, whole), d.solids.scaled(part, whole)}
}

// split divides the doubt of a whole between a part of it and the rest. Solids are as
// certain in proportion, and where scaled so are mass and volume; otherwise those of the
// part were measured by themselves, and the rest keeps all.
func (d doubt) split(part, whole Phases, scaled bool) (gone, kept doubt) {
	gone.solids = d.solids.scaled(part.SolidsG, whole.SolidsG)
	kept = doubt{d.mass, d.volume, d.solids.scaled(whole.SolidsG-part.SolidsG, whole.SolidsG)}
	if partG, wholeG := part.MassG(), whole.MassG(); scaled {
		gone.mass, gone.volume = d.mass.scaled(partG, wholeG), d.volume.scaled(partG, wholeG)
		kept.mass, kept.volume = d.mass.scaled(wholeG-partG, wholeG), d.volume.scaled(wholeG-partG, wholeG)
	}
	return gone, kept
}

// ofSolids returns what is uncertain of solids that were solved from a mass and a
// volume: rho/(rho-1) times either.
func (s square) ofSolids(particleKgPerM3 int64) square {
	return s.scaled(particleKgPerM3, particleKgPerM3-waterKgPerM3)
}

// waterDoubt is that of water whose volume has a stated limit.
func waterDoubt(limitML, volumeML int64) doubt {
	s := stated(limitML, volumeML)
	return doubt{mass: s, volume: s}
}

// exceededBy reports whether a difference is larger than the root of the sum.
func (s square) exceededBy(difference int64) bool {
	d := square(0)
	d.add(difference)
	return d > s
}

// root returns the combined expanded uncertainty, rounded.
func (s square) root() int64 { return int64(math.Round(math.Sqrt(float64(s) / 3))) }

// Uncertainty is two standard uncertainties of a mass or of its solids, by where they come from.
type Uncertainty struct {
	Position uint64  // of the load; 0 for what was measured out of the tank
	Own      bool    // the tip's own quantity
	G        float64 // so fine that what is reckoned from it is right to the gram
}

// Uncertainties returns the parts of a tip's ToleranceG, whose root sum square it is: of
// each parcel that gave, of what was measured out of the tank before, and of the tip's
// own quantity, parts of nothing left out. For a tip beyond what the tank held all but
// the last grow in proportion.
func (t *Tip) Uncertainties() []Uncertainty {
	return t.uncertainties(func(d doubt) square { return d.mass })
}

// SolidsUncertainties returns the parts of a tip's ToleranceSolidsG, as Uncertainties
// those of its ToleranceG.
func (t *Tip) SolidsUncertainties() []Uncertainty {
	return t.uncertainties(func(d doubt) square { return d.solids })
}

func (t *Tip) uncertainties(of func(doubt) square) []Uncertainty {
	parts := []Uncertainty{}
	add := func(position uint64, own bool, s square) {
		if s > 0 {
			parts = append(parts, Uncertainty{position, own, math.Sqrt(float64(s) / 3)})
		}
	}
	for i := range t.Shares {
		add(t.Shares[i].Position, false, of(t.Shares[i].own))
	}
	add(0, false, of(t.removed))
	add(0, true, of(t.own))
	return parts
}

// Tolerance is how certain a quantity of spoil is, two standard uncertainties of its
// mass, its volume and its solids.
type Tolerance struct{ MassG, VolumeML, SolidsG int64 }

func (d doubt) tolerance() Tolerance {
	return Tolerance{d.mass.root(), d.volume.root(), d.solids.root()}
}

// Together returns how certain shares of one tip, decant or return are together: what
// is uncertain of each load is added as squares, and what is uncertain of a decant, of
// which all have their part, as it is.
func Together(shares []Share) Tolerance {
	own := doubt{}
	drained := Tolerance{}
	for i := range shares {
		own = own.plus(shares[i].own)
		d := shares[i].drained.tolerance()
		drained.MassG += d.MassG
		drained.VolumeML += d.VolumeML
		drained.SolidsG += d.SolidsG
	}
	own.mass.add(drained.MassG)
	own.volume.add(drained.VolumeML)
	own.solids.add(drained.SolidsG)
	return own.tolerance()
}

// CombinedLimit returns what two figures may differ by when each has limits, plus or
// minus: the root sum square of the limits as rectangular distributions, two standard
// uncertainties, which is 2/sqrt(3) of the root sum square of the limits themselves.
func CombinedLimit(limits ...int64) int64 {
	s := square(0)
	for _, l := range limits {
		s.addLimit(l)
	}
	return s.root()
}
