package consignments_test

import (
	"slices"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/consignments"
	"spoilbook/reports/manifest"
)

func three() *manifest.Report {
	docket := &manifest.Docket{Number: "D-1", NetG: 1_200_000, DifferenceG: 200_000, Significant: true, Unexplained: true}
	agrees := &manifest.Docket{Number: "D-2", NetG: 2_000_000, DifferenceG: -1_000}
	weighed := events.Facility{Name: "Garrow Pit", WeighbridgeIntervalKg: 20, AcceptedCodes: []string{"17 05 04"}}
	part := func(job events.JobID, client events.ClientID, code string) manifest.Contribution {
		return manifest.Contribution{Job: job, Client: client, Spoil: events.Material{WasteCode: code}, JobEntry: events.Job{SiteAddress: "Weir Street"}}
	}
	return &manifest.Report{Consignments: []manifest.Consignment{
		{Number: "A-1", Key: "A-1", Truck: "TM-01", Facility: "F-1", Receiver: weighed, Known: true, Docket: docket, Amount: manifest.Amount{SolidsG: 600_000, WaterG: 400_000, VolumeML: 600_001},
			Parts: []manifest.Contribution{part("J-1", "C-1", "17 05 04"), part("J-2", "C-2", "17 05 03*")}, Hazardous: true, Mixed: true},
		{Number: "A-2", Key: "A-2", Truck: "TM-02", Facility: "F-1", Receiver: weighed, Known: true, Docket: agrees, Amount: manifest.Amount{SolidsG: 1_000_000, WaterG: 1_001_000, VolumeML: 1_400_000},
			Parts: []manifest.Contribution{part("J-2", "C-2", "17 05 04")}, Missing: []manifest.Missing{{Item: "Driver"}, {Item: "Times"}}},
		{Number: "A-3", Key: "A-3", Truck: "TM-01", Facility: "F-1", Receiver: weighed, Known: true, DriverName: "Odhran Vale", Amount: manifest.Amount{SolidsG: 5, WaterG: 7, VolumeML: 9}},
	}}
}

func TestFiltersHoldAllAtOnce(t *testing.T) {
	for _, c := range []struct {
		f    consignments.Filter
		want []string
	}{
		{consignments.Filter{}, []string{"A-1", "A-2", "A-3"}},
		{consignments.Filter{Truck: "TM-01"}, []string{"A-1", "A-3"}},
		{consignments.Filter{Job: "J-2"}, []string{"A-1", "A-2"}},
		{consignments.Filter{Client: "C-1"}, []string{"A-1"}},
		{consignments.Filter{Facility: "F-2"}, nil},
		{consignments.Filter{Code: "17 05 04", Truck: "TM-02"}, []string{"A-2"}},
		{consignments.Filter{Hazardous: "yes"}, []string{"A-1"}},
		{consignments.Filter{Hazardous: "no"}, []string{"A-2", "A-3"}},
		{consignments.Filter{Record: "incomplete"}, []string{"A-2"}},
		{consignments.Filter{Record: "complete"}, []string{"A-1", "A-3"}},
		{consignments.Filter{Discrepancy: "any"}, []string{"A-1"}},
		{consignments.Filter{Discrepancy: "unexplained"}, []string{"A-1"}},
		{consignments.Filter{Discrepancy: "over-ten-percent"}, []string{"A-1"}},
		{consignments.Filter{Discrepancy: "none"}, []string{"A-2"}},
		{consignments.Filter{Docket: "missing"}, []string{"A-3"}},
		{consignments.Filter{Docket: "there"}, []string{"A-1", "A-2"}},
		{consignments.Filter{Docket: "none"}, nil},
		{consignments.Filter{Text: "VALE odhran"}, []string{"A-3"}},
		{consignments.Filter{Text: "d-2 weir"}, []string{"A-2"}},
		{consignments.Filter{Text: "weir vale"}, nil},
	} {
		s := consignments.Select(three(), c.f, "number")
		var got []string
		for _, x := range s.Consignments {
			got = append(got, x.Number)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%+v picks %v, want %v", c.f, got, c.want)
		}
	}
}

func TestSumsAreThoseOfTheRows(t *testing.T) {
	s := consignments.Select(three(), consignments.Filter{}, "-mass")
	want := consignments.Sums{Consignments: 3, Hazardous: 1, Docketed: 2, Awaited: 1, Discrepant: 1, Incomplete: 1, Missing: 2,
		Amount: manifest.Amount{SolidsG: 1_600_005, WaterG: 1_401_007, VolumeML: 2_000_010}, DocketNetG: 3_200_000, DifferenceG: 199_000}
	if s.Sums != want {
		t.Errorf("sums are %+v, want %+v", s.Sums, want)
	}
	if s.Consignments[0].Number != "A-2" || s.Consignments[2].Number != "A-3" {
		t.Error("the heaviest is not first")
	}
	table := s.Document().Tables[0]
	rows := slices.Collect(table.Rows)
	added := reports.AddUp(table.Columns, rows)
	for i := range table.Columns {
		if len(rows[0].Cells) != len(table.Columns) {
			t.Fatalf("a row has %d cells, there are %d columns", len(rows[0].Cells), len(table.Columns))
		}
		if table.Columns[i].Total && added[i] != table.Totals[i] {
			t.Errorf("%s: rows add up to %+v, the table says %+v", table.Columns[i].Key, added[i], table.Totals[i])
		}
	}
	c := consignments.ChoicesOf(three())
	if len(c.Facilities) != 1 || c.Facilities[0].Name != "Garrow Pit" || len(c.Jobs) != 2 || len(c.Trucks) != 2 || len(c.Codes) != 2 || len(c.Clients) != 2 {
		t.Errorf("choices are %+v", c)
	}
}
