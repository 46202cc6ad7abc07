// Package flowstest holds pictures of flows to what every reader needs of them, for tests
// of flows wherever they come from. For example
//
//	p := flows.Draw(list, flows.Volume)
//	flowstest.Drawn(t, p, list, flows.Volume) // takes in and lets out what the flows are
package flowstest

import (
	"strings"
	"testing"

	"spoilbook/reports/flows"
)

// Drawn fails where a picture does not take in and let out the sum of the flows, or
// where something of it is off the sheet.
func Drawn(t testing.TB, p flows.Picture, list []flows.Flow, m flows.Measure) {
	t.Helper()
	in := flows.Sum(list, func(f *flows.Flow) bool { return f.In })
	want := in.VolumeML
	if m == flows.Solids {
		want = in.SolidsG
	}
	sumIn, sumOut := int64(0), int64(0)
	for _, r := range p.Ribbons {
		if p.Nodes[r.To].Kind == "" {
			sumIn += r.Value
		} else {
			sumOut += r.Value
		}
		if !strings.HasPrefix(r.Path, "M") || r.Value <= 0 {
			t.Errorf("ribbon %+v", r)
		}
	}
	if p.In != want || p.Out != want || sumIn != want || sumOut != want {
		t.Errorf("%s: the picture takes in %d and lets out %d (ribbons %d and %d), the flows are %d", m, p.In, p.Out, sumIn, sumOut, want)
	}
	for i, n := range p.Nodes {
		if n.Y < 0 || n.Y+n.H > p.Height || n.H < 1 {
			t.Errorf("node %d %+v is off the sheet of %d", i, n, p.Height)
		}
	}
}
