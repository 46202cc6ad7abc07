package flows_test

import (
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports/flows"
)

func TestTooManyEndsArePutTogether(t *testing.T) {
	list := []flows.Flow{}
	for i := range 30 {
		job := string(rune('A' + i))
		list = append(list, flows.Flow{Truck: events.TruckID("T-" + job), Job: events.JobID(job), In: true, Kind: flows.Site, ID: job, Amount: flows.Amount{SolidsG: int64(1000 + i), VolumeML: int64(500 + i)}, Cites: []uint64{uint64(i + 1)}},
			flows.Flow{Truck: events.TruckID("T-" + job), Job: events.JobID(job), Kind: flows.Facility, ID: "F-1", Amount: flows.Amount{SolidsG: int64(1000 + i), VolumeML: int64(500 + i)}, Cites: []uint64{uint64(i + 100)}})
	}
	p := flows.Draw(list, flows.Solids)
	drawn(t, p, list, flows.Solids)
	if len(p.Nodes) != 10+10+1 {
		t.Errorf("%d ends are drawn", len(p.Nodes))
	}
	others := 0
	for _, n := range p.Nodes {
		others += n.Others
	}
	if others != 21+21 {
		t.Errorf("%d ends stand for others, want 42", others)
	}
}

func drawn(t *testing.T, p flows.Picture, list []flows.Flow, m flows.Measure) {
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
