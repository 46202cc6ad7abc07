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
		moment.Add(moment, times(l.MassG, l.FromFrontMM-b.Front.FromFrontMM))
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

// Room is the largest further load in grams that each limit allows, rounded down: room
// that there is never reads too large, and where the limit is passed already the
// figure is negative and what must go never reads too small. A limit is nil where a
// load at that place can not run into it. MassG is the least of them and Governs says
// whose it is.
type Room struct {
	FrontG, RearG, GrossG, VolumeG *int64
	MassG                          int64
	Governs                        Limit
}

// Margins returns what each support may still carry with the loads aboard, its
// permitted mass less what it carries, rounded down to grams: negative when it carries
// a fraction of a gram too much.
func (b Beam) Margins(aboard ...Point) (frontG, rearG int64) {
	front, rear := b.spare(aboard)
	return floor(front, b.wheelbaseMM()), floor(rear, b.wheelbaseMM())
}

// spare returns each support's permitted mass less what it carries, times the
// wheelbase, in g mm and exactly.
func (b Beam) spare(aboard []Point) (front, rear *big.Int) {
	front = times(b.Front.PermittedG-b.Front.TareG, b.wheelbaseMM())
	rear = times(b.Rear.PermittedG-b.Rear.TareG, b.wheelbaseMM())
	for _, l := range aboard {
		front.Sub(front, times(l.MassG, b.Rear.FromFrontMM-l.FromFrontMM))
		rear.Sub(rear, times(l.MassG, l.FromFrontMM-b.Front.FromFrontMM))
	}
	return front, rear
}

// Further returns the room for a load at a place beside the loads aboard. grossG is
// what the permitted gross leaves; volumeG is the mass that the tank's free volume
// holds, nil when it is not known.
func (b Beam) Further(grossG, atMM int64, volumeG *int64, aboard ...Point) Room {
	r := Room{GrossG: &grossG, VolumeG: volumeG}
	front, rear := b.spare(aboard)
	if arm := b.Rear.FromFrontMM - atMM; arm > 0 {
		g := floor(front, arm)
		r.FrontG = &g
	}
	if arm := atMM - b.Front.FromFrontMM; arm > 0 {
		g := floor(rear, arm)
		r.RearG = &g
	}
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

func times(a, b int64) *big.Int { return new(big.Int).Mul(big.NewInt(a), big.NewInt(b)) }

// floor returns n/d rounded down, so away from zero where it is negative; d must be
// positive.
func floor(n *big.Int, d int64) int64 {
	return new(big.Int).Div(n, big.NewInt(d)).Int64() // Div rounds down where the divisor is positive
}

// kilogramsDown returns whole kilograms, rounded down as floor does.
func kilogramsDown(g int64) int64 { return floor(big.NewInt(g), 1000) }
