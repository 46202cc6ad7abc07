package client_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/url"
	"reflect"
	"testing"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// What the client gives of issued reports, adjustments and explanations is what the
// ledger behind it gives.
func TestIssuedThroughTheClient(t *testing.T) {
	r := newRig(t)
	c := r.client()
	fatesOf(t, c, messages(truckRevision(t, 1, "TM-01"), siteArrival(t, "TM-01", 1, "J-1")))
	october := url.Values{"from": {"2026-10-01"}, "to": {"2026-10-31"}, "tz": {"Europe/Dublin"}}
	issued, err := c.Issue(t.Context(), "billable", october, "INV-1", "Yard office")
	if err != nil || issued.Number != "INV-1" || issued.Position != 2 || issued.EventPosition != 3 || len(issued.Digest) != 64 {
		t.Fatalf("issued %+v, %v", issued, err)
	}
	_, err = c.Issue(t.Context(), "billable", october, "INV-1", "Yard office")
	wantCode(t, "a number given twice", err, ledger.Conflict)
	_, err = c.Issue(t.Context(), "billable", url.Values{}, "INV-2", "Yard office")
	wantCode(t, "a report of no days", err, ledger.BadRequest)
	october.Set("allocation", "first-in-first-out")
	october.Set("axle-rule", "bridge")
	if chosen, err := c.Issue(t.Context(), "axles", october, "A-1", "Yard office"); err != nil || chosen.Allocation != ledger.FirstInFirstOut || chosen.AxleRule != ledger.AxlesBridge {
		t.Errorf("issued %+v, %v", chosen, err)
	}
	care := url.Values{"from": {"2026-10-01"}, "to": {"2026-10-31"}, "tz": {"Europe/Dublin"}, "altitude-m": {"-4"}}
	if chosen, err := c.Issue(t.Context(), "care", care, "C-1", "Yard office"); err != nil || chosen.AltitudeM != -4 {
		t.Errorf("issued %+v, %v", chosen, err)
	}
	mine, err := c.IssuedReports(t.Context())
	its, err2 := r.ledger.IssuedReports(t.Context())
	if err != nil || err2 != nil || len(mine) != 3 || !reflect.DeepEqual(mine, its) {
		t.Errorf("issued reports %+v, %v; the ledger has %+v, %v", mine, err, its, err2)
	}
	var out bytes.Buffer
	if err := c.ExportAdjustment(t.Context(), &out, "INV-1", url.Values{"format": {"json"}}); err != nil || !json.Valid(out.Bytes()) {
		t.Errorf("adjustment %.200q, %v", out.String(), err)
	}
	wantCode(t, "the adjustment of nothing", c.ExportAdjustment(t.Context(), &out, "INV-9", nil), ledger.NotFound)
}

func TestExplainedThroughTheClient(t *testing.T) {
	r := newRig(t)
	c := r.client()
	fatesOf(t, c, messages(truckRevision(t, 1, "TM-01"), shiftStart(t, "TM-01", 1), siteArrival(t, "TM-01", 2, "J-1")))
	october := url.Values{"from": {"2026-10-01"}, "to": {"2026-10-31"}, "tz": {"Europe/Dublin"}}
	period, err := r.ledger.PeriodOf("2026-10-01", "2026-10-31", "Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	q := ledger.ReportQuery{Name: "timesplit", Period: period}
	mine, err := c.Lines(t.Context(), "timesplit", october)
	its, err2 := r.ledger.Lines(t.Context(), q)
	if err != nil || err2 != nil || len(mine) == 0 || !reflect.DeepEqual(mine, its) {
		t.Fatalf("lines %+v, %v; the ledger has %+v, %v", mine, err, its, err2)
	}
	for _, line := range mine {
		october.Set("line", line.Key)
		october.Set("table", line.Table)
		got, err := c.Explain(t.Context(), "timesplit", october)
		want, err2 := r.ledger.Explain(t.Context(), q, line.Table, line.Key)
		if err != nil || err2 != nil || !reflect.DeepEqual(ledger.ViewOf(got), ledger.ViewOf(want)) {
			t.Errorf("%s: %+v, %v; the ledger says %+v, %v", line.Key, got, err, want, err2)
		}
	}
	october.Set("line", "none")
	_, err = c.Explain(t.Context(), "timesplit", october)
	wantCode(t, "a line that there is not", err, ledger.NotFound)
	_, err = c.Lines(t.Context(), "fuel", october)
	wantCode(t, "a report that there is not", err, ledger.BadRequest)
}

// shiftStart begins a shift, which without an end lasts until the truck's last entry.
func shiftStart(t testing.TB, truck events.TruckID, seq uint64) []byte {
	return encode(t, events.Event{ID: fmt.Sprintf("%s-%d", truck, seq), Source: events.TruckSource(truck), Seq: seq, Truck: truck, Operator: "OP-1",
		Occurred: events.Time{UnixMS: 1_791_000_000_000, OffsetMinutes: 60}, Origin: events.FromController, Body: events.ShiftStarted{}})
}
