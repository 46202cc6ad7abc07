package flows_test

import (
	"testing"

	"spoilbook/events"
	"spoilbook/reports/flows"
	"spoilbook/reports/flows/flowstest"
)

func TestTooManyEndsArePutTogether(t *testing.T) {
	list := []flows.Flow{}
	for i := range 30 {
		job := string(rune('A' + i))
		list = append(list, flows.Flow{Truck: events.TruckID("T-" + job), Job: events.JobID(job), In: true, Kind: flows.Site, ID: job, Amount: flows.Amount{SolidsG: int64(1000 + i), VolumeML: int64(500 + i)}, Cites: []uint64{uint64(i + 1)}},
			flows.Flow{Truck: events.TruckID("T-" + job), Job: events.JobID(job), Kind: flows.Facility, ID: "F-1", Amount: flows.Amount{SolidsG: int64(1000 + i), VolumeML: int64(500 + i)}, Cites: []uint64{uint64(i + 100)}})
	}
	p := flows.Draw(list, flows.Solids)
	flowstest.Drawn(t, p, list, flows.Solids)
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
