package axles

import "math/big"

// Support is an axle, or a group of axles that share a load equally.
type Support struct {
	Name        string
	FromFrontMM int64 // its centre, behind the point that the register measures from
	TareG       int64
	PermittedG  int64
}

// Beam is a truck on its two supports. Rear must lie behind Front.
type Beam struct{ Front, Rear Support }

// Point is a mass and where it lies.
type Point struct{ FromFrontMM, MassG int64 }

// Carry returns what the supports carry with the loads aboard, by moments about the
// front support (statics). The two sum to the tares and the loads exactly.
func (b Beam) Carry(loads ...Point) (frontG, rearG int64) {
	moment, total := new(big.Int), int64(0)
	for _, l := range loads {
		moment.Add(moment, new(big.Int).Mul(big.NewInt(l.MassG), big.NewInt(l.FromFrontMM-b.Front.FromFrontMM)))
		total += l.MassG
	}
	onRear := nearest(moment, b.wheelbaseMM())
	return b.Front.TareG + total - onRear, b.Rear.TareG + onRear
}

func (b Beam) wheelbaseMM() int64 { return b.Rear.FromFrontMM - b.Front.FromFrontMM }

// nearest returns n/d rounded half up; d must be positive.
func nearest(n *big.Int, d int64) int64 {
	twice := new(big.Int).Lsh(n, 1)
	return new(big.Int).Div(twice.Add(twice, big.NewInt(d)), big.NewInt(2*d)).Int64()
}

// Limit names what a further load runs into.
type Limit string

// The limits, in the order in which a tie is decided.
const (
	ByFront  Limit = "front"
	ByRear   Limit = "rear"
	ByGross  Limit = "gross"
	ByVolume Limit = "volume"
)

// Room is the largest further load in grams that each limit allows, rounded down and
// negative where the limit is passed already; nil where a load at that place can not
// run into the limit. MassG is the least of them and Governs says whose it is.
type Room struct {
	FrontG, RearG, GrossG, VolumeG *int64
	MassG                          int64
	Governs                        Limit
}

// Further returns the room for a load at a place, for supports that carry frontG and
// rearG now and a permitted gross. volumeG is the mass that the tank's free volume
// holds, nil when it is not known.
func (b Beam) Further(frontG, rearG, grossPermittedG, atMM int64, volumeG *int64) Room {
	r := Room{VolumeG: volumeG}
	base := b.wheelbaseMM()
	if arm := b.Rear.FromFrontMM - atMM; arm > 0 {
		r.FrontG = floor(b.Front.PermittedG-frontG, base, arm)
	}
	if arm := atMM - b.Front.FromFrontMM; arm > 0 {
		r.RearG = floor(b.Rear.PermittedG-rearG, base, arm)
	}
	gross := grossPermittedG - frontG - rearG
	r.GrossG = &gross
	for _, l := range []struct {
		limit Limit
		g     *int64
	}{{ByFront, r.FrontG}, {ByRear, r.RearG}, {ByGross, r.GrossG}, {ByVolume, r.VolumeG}} {
		if l.g != nil && (r.Governs == "" || *l.g < r.MassG) {
			r.MassG, r.Governs = *l.g, l.limit
		}
	}
	return r
}

// floor returns v*base/arm rounded down; arm must be positive.
func floor(v, base, arm int64) *int64 {
	q := new(big.Int).Mul(big.NewInt(v), big.NewInt(base))
	n := q.Div(q, big.NewInt(arm)).Int64() // Div rounds down where the divisor is positive
	return &n
}
