package flows

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"

	"spoilbook/reports"
)

// Measure is what a picture's widths stand for.
type Measure string

// The measures.
const (
	Volume Measure = "volume" // millilitres of solids and water
	Solids Measure = "solids" // grams
)

func (m Measure) of(x Amount) int64 {
	if m == Solids {
		return x.SolidsG
	}
	return x.VolumeML
}

// Node is one end of flows, drawn as an upright bar as long as what passes through it.
type Node struct {
	Kind       Kind // "" for a truck's tank
	ID         string
	Others     int // how many ends it stands for that were too many to draw, 0 for one of its own
	Value      int64
	X, Y, H, W int64 // of the bar
	LabelY     int64
}

// Ribbon is what flows from one node to another.
type Ribbon struct {
	From, To int // index into Nodes
	Kind     Kind
	Amount   Amount
	Value    int64
	Path     string // of the outline, in SVG's path language
	Cites    []uint64
}

// Picture is flows laid out on a sheet of Width by Height units: what comes in on the left, the trucks' tanks in the middle, what goes out
// on the right. Every ribbon's width is its value at one scale for the whole sheet.
type Picture struct {
	Measure       Measure
	Width, Height int64
	Nodes         []Node
	Ribbons       []Ribbon
	In, Out       int64 // sums of the ribbons into and out of the tanks, rounding included
}

// The layout: columns, the room that a label needs, and how many ends of a kind are drawn before the rest are put together.
const (
	sheetWidth  = 1040
	barWidth    = 14
	leftX       = 318
	middleX     = 513
	rightX      = 708
	labelRoom   = 40
	longest     = 420 // of the column that carries the most, without gaps
	top         = 34
	mostOfAKind = 10
)

type nodeKey struct {
	column int
	kind   Kind
	id     string
}

// Draw lays out flows by a measure. Flows of nothing by that measure are left out.
func Draw(list []Flow, m Measure) Picture {
	p := Picture{Measure: m, Width: sheetWidth}
	crowd := crowded(list, m)
	nodes, ribbons := map[nodeKey]int{}, map[[2]int]int{}
	node := func(k nodeKey, others int) int {
		i, ok := nodes[k]
		if !ok {
			i = len(p.Nodes)
			nodes[k] = i
			p.Nodes = append(p.Nodes, Node{Kind: k.kind, ID: k.id, Others: others, X: []int64{leftX, middleX, rightX}[k.column], W: barWidth})
		}
		return i
	}
	for i := range list {
		f := &list[i]
		v := m.of(f.Amount)
		if v == 0 {
			continue
		}
		end, tank := endOf(f), nodeKey{1, "", string(f.Truck)}
		others, truckOthers := crowd[end], crowd[tank]
		if others > 0 {
			end.id = ""
		}
		if truckOthers > 0 {
			tank.id = ""
		}
		from, to := node(end, others), node(tank, truckOthers)
		if f.In {
			p.In += v
		} else {
			from, to = to, from
			p.Out += v
		}
		k, ok := ribbons[[2]int{from, to}]
		if !ok {
			k = len(p.Ribbons)
			ribbons[[2]int{from, to}] = k
			p.Ribbons = append(p.Ribbons, Ribbon{From: from, To: to, Kind: f.Kind})
		}
		r := &p.Ribbons[k]
		r.Value, r.Amount, r.Cites = r.Value+v, r.Amount.Plus(f.Amount), append(r.Cites, f.Cites...)
	}
	for i := range p.Ribbons {
		p.Ribbons[i].Cites = reports.Union(p.Ribbons[i].Cites)
	}
	p.layOut()
	return p
}

func endOf(f *Flow) nodeKey {
	if f.In {
		return nodeKey{0, f.Kind, f.ID}
	}
	return nodeKey{2, f.Kind, f.ID}
}

// crowded returns the ends that are too many of their kind to be drawn by themselves, each with how many they are.
func crowded(list []Flow, m Measure) map[nodeKey]int {
	values := map[nodeKey]int64{}
	for i := range list {
		values[endOf(&list[i])] += m.of(list[i].Amount)
		values[nodeKey{1, "", string(list[i].Truck)}] += m.of(list[i].Amount)
	}
	byKind := map[nodeKey][]nodeKey{}
	for k, v := range values {
		if v > 0 {
			kind := nodeKey{column: k.column, kind: k.kind}
			byKind[kind] = append(byKind[kind], k)
		}
	}
	crowd := map[nodeKey]int{}
	for _, keys := range byKind {
		slices.SortFunc(keys, func(a, b nodeKey) int { return cmp.Or(cmp.Compare(values[b], values[a]), cmp.Compare(a.id, b.id)) })
		if len(keys) > mostOfAKind {
			for _, k := range keys[mostOfAKind-1:] {
				crowd[k] = len(keys) - mostOfAKind + 1
			}
		}
	}
	return crowd
}

// rank orders the ends of a column: sites and facilities first, what is unaccounted for last.
func (n *Node) rank() int {
	return slices.Index([]Kind{"", Site, Jetting, WashedIn, GivenBack, HeldBefore, Outfall, Facility, HeldAfter, Rounding, UnaccountedIn, UnaccountedOut}, n.Kind)
}

// layOut places bars and ribbons.
func (p *Picture) layOut() {
	for i := range p.Nodes {
		in, out := int64(0), int64(0)
		for _, r := range p.Ribbons {
			if r.From == i {
				out += r.Value
			}
			if r.To == i {
				in += r.Value
			}
		}
		p.Nodes[i].Value = max(in, out)
	}
	scale := max(p.In, p.Out, 1)
	p.Height = top
	columns := [][]int{p.column(leftX), p.column(middleX), p.column(rightX)}
	for _, column := range columns {
		y := int64(top)
		for _, i := range column {
			n := &p.Nodes[i]
			n.H = max(1, reports.MulDiv(n.Value, longest, scale))
			n.Y = y
			n.LabelY = y + max(n.H/2, 12)
			room := max(n.H+10, labelRoom)
			if n.Kind == "" { // its label stands above it
				room = n.H + labelRoom - 10
			}
			y += room
		}
		p.Height = max(p.Height, y)
	}
	for _, column := range columns[1:2] { // tanks stand in the middle of the sheet's height
		if len(column) > 0 {
			last := &p.Nodes[column[len(column)-1]]
			down := max(0, (p.Height-last.Y-last.H)/2)
			for _, i := range column {
				p.Nodes[i].Y += down
				p.Nodes[i].LabelY += down
			}
		}
	}
	p.Height += 6
	p.drawRibbons(scale)
}

func (p *Picture) column(x int64) []int {
	list := []int{}
	for i := range p.Nodes {
		if p.Nodes[i].X == x {
			list = append(list, i)
		}
	}
	slices.SortStableFunc(list, func(a, b int) int {
		x, y := &p.Nodes[a], &p.Nodes[b]
		if x.Kind == "" && y.Kind == "" { // trucks by name, the others last
			return cmp.Or(cmp.Compare(min(x.Others, 1), min(y.Others, 1)), cmp.Compare(x.ID, y.ID))
		}
		return cmp.Or(cmp.Compare(x.rank(), y.rank()), cmp.Compare(min(x.Others, 1), min(y.Others, 1)), cmp.Compare(y.Value, x.Value), cmp.Compare(x.ID, y.ID))
	})
	return list
}

// drawRibbons draws each from where the one before it ended, in the order of the bars at its other end. Places are in thousandths of a unit
// until they are written, so that ribbons fill their bars.
func (p *Picture) drawRibbons(scale int64) {
	slices.SortStableFunc(p.Ribbons, func(a, b Ribbon) int {
		return cmp.Or(cmp.Compare(p.Nodes[a.From].Y, p.Nodes[b.From].Y), cmp.Compare(p.Nodes[a.From].X, p.Nodes[b.From].X), cmp.Compare(p.Nodes[a.To].Y, p.Nodes[b.To].Y))
	})
	byTo := make([]int, len(p.Ribbons))
	for i := range byTo {
		byTo[i] = i
	}
	slices.SortStableFunc(byTo, func(a, b int) int { return cmp.Compare(p.Nodes[p.Ribbons[a].From].Y, p.Nodes[p.Ribbons[b].From].Y) })
	width := func(r *Ribbon) int64 { return max(700, reports.MulDiv(r.Value, longest*1000, scale)) }
	starts, ends, used := make([]int64, len(p.Ribbons)), make([]int64, len(p.Ribbons)), map[int]int64{}
	for i := range p.Ribbons {
		r := &p.Ribbons[i]
		starts[i] = p.Nodes[r.From].Y*1000 + used[r.From]
		used[r.From] += width(r)
	}
	used = map[int]int64{}
	for _, i := range byTo {
		r := &p.Ribbons[i]
		ends[i] = p.Nodes[r.To].Y*1000 + used[r.To]
		used[r.To] += width(r)
	}
	for i := range p.Ribbons {
		r := &p.Ribbons[i]
		x1, x2, w := p.Nodes[r.From].X+barWidth, p.Nodes[r.To].X, width(r)
		half := (x1 + x2) / 2
		r.Path = fmt.Sprintf("M%d %sC%d %s %d %s %d %sV%sC%d %s %d %s %d %sZ", x1, milli(starts[i]), half, milli(starts[i]), half, milli(ends[i]), x2, milli(ends[i]),
			milli(ends[i]+w), half, milli(ends[i]+w), half, milli(starts[i]+w), x1, milli(starts[i]+w))
	}
}

// milli writes thousandths with one decimal.
func milli(v int64) string {
	v = (v + 50) / 100
	return strconv.FormatInt(v/10, 10) + "." + strconv.FormatInt(v%10, 10)
}
