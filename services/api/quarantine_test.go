package api_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"spoilbook/services/api"
	"spoilbook/services/ledger"
)

func (r *rig) entry(n uint64) api.QuarantineView {
	r.t.Helper()
	var v api.QuarantineView
	r.call("GET", fmt.Sprintf("/v1/quarantine/%d", n), "", "", 200).into(r.t, &v)
	return v
}

// settle makes the body of a release or a dismissal.
func settle(t *testing.T, author, note, event string) string {
	t.Helper()
	in := map[string]any{"author": author, "note": note}
	if event != "" {
		in["event"] = json.RawMessage(event)
	}
	b, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestQuarantine(t *testing.T) {
	r := newRig(t)
	r.record()
	const binary = "\xff\x00{"
	truncated := siteArrival(t, "TM-01", 1, "J-1")[:100]
	r.submit(lines, strings.Join([]string{truncated, siteArrival(t, "TM-01", 2, "J-1"), binary, `{"a":1}`}, "\n"))
	var page api.QuarantinePage
	r.call("GET", "/v1/quarantine", "", "", 200).into(t, &page)
	codes := []string{}
	for _, e := range page.Entries {
		codes = append(codes, fmt.Sprintf("%d %s %s", e.Entry, e.Code, e.State))
	}
	if got, want := strings.Join(codes, ", "), "1 invalid held, 2 unknown-truck held, 3 invalid held, 4 invalid held"; got != want {
		t.Fatalf("quarantine: %s; want %s", got, want)
	}
	if e := r.entry(3); string(e.Body) != binary || e.Text != "" || e.Reason == "" || e.StreamSeq != 3 || e.Subject == "" {
		t.Errorf("entry of bytes that are no text: %+v", e)
	}
	if e := r.entry(1); string(e.Body) != truncated || e.Text != truncated {
		t.Errorf("entry cut off: %+v", e)
	}
	r.refused("GET", "/v1/quarantine/5", "", "", 404, ledger.NotFound)
	r.refused("GET", "/v1/quarantine/0", "", "", 422, ledger.BadRequest)
	r.refused("GET", "/v1/quarantine?limit=10001", "", "", 413, ledger.TooLarge)
	r.refused("GET", "/v1/quarantine?limit=0", "", "", 422, ledger.BadRequest)

	r.refused("POST", "/v1/quarantine/3/dismiss", "application/json", settle(t, "Yard office", "", ""), 422, ledger.BadRequest)
	r.refused("POST", "/v1/quarantine/3/dismiss", "application/json", settle(t, "Yard office", "  ", ""), 400, ledger.BadRequest)
	r.refused("POST", "/v1/quarantine/3/dismiss", "application/json", settle(t, "", "noise", ""), 422, ledger.BadRequest)
	r.refused("POST", "/v1/quarantine/9/dismiss", "application/json", settle(t, "Yard office", "noise", ""), 404, ledger.NotFound)
	r.call("POST", "/v1/quarantine/3/dismiss", "application/json", settle(t, "Yard office", "noise on the line", ""), 204)
	p := r.refused("POST", "/v1/quarantine/3/dismiss", "application/json", settle(t, "Yard office", "again", ""), 409, ledger.Conflict)
	if !strings.Contains(p.Detail, "already dismissed") {
		t.Errorf("detail: %s", p.Detail)
	}
	r.refused("POST", "/v1/quarantine/3/release", "application/json", settle(t, "Yard office", "", truckRevision(t, 1, "TM-01")), 409, ledger.Conflict)
	if e := r.entry(3); e.State != "dismissed" || e.Settled == nil || e.Settled.Author != "Yard office" || e.Settled.Note != "noise on the line" || e.Settled.At.IsZero() {
		t.Errorf("dismissed entry: %+v", e)
	}
	r.call("GET", "/v1/quarantine", "", "", 200).into(t, &page)
	if len(page.Entries) != 3 {
		t.Errorf("%d entries are held, want 3", len(page.Entries))
	}
	page = api.QuarantinePage{}
	r.call("GET", "/v1/quarantine?all=true&limit=2&after=1", "", "", 200).into(t, &page)
	if len(page.Entries) != 2 || page.Entries[1].Entry != 3 || page.Next != 3 {
		t.Errorf("a page of all: %+v", page)
	}
}

func TestRelease(t *testing.T) {
	r := newRig(t)
	r.record()
	arrival := siteArrival(t, "TM-01", 1, "J-1")
	r.submit(lines, arrival[:100]+"\n"+arrival)
	release := func(entry uint64, author, event string, status int, code ledger.Code) (f ledger.Fates) {
		t.Helper()
		path := fmt.Sprintf("/v1/quarantine/%d/release", entry)
		if status == 200 {
			r.call("POST", path, "application/json", settle(t, author, "looked into", event), 200).into(t, &f)
			return f
		}
		r.refused("POST", path, "application/json", settle(t, author, "looked into", event), status, code)
		return f
	}
	release(1, "Yard office", "", 400, ledger.BadRequest)                  // still no event
	release(1, "Yard office", `{"specversion":7}`, 400, ledger.BadRequest) // nor is this
	release(1, " ", arrival, 400, ledger.BadRequest)                       // nobody decides
	release(3, "Yard office", arrival, 404, ledger.NotFound)
	// Still refused for the same reason, so it must stay held: the truck is unknown.
	release(2, "Yard office", "", 409, ledger.Conflict)
	if e := r.entry(2); e.State != "held" {
		t.Fatalf("after a release that changed nothing, entry 2 is %s", e.State)
	}
	// Repaired, and refused for another reason: a new entry, and the old one is done.
	other := siteArrival(t, "TM-01", 2, "J-1")
	if f := release(1, "Yard office", other, 200, ""); f.Quarantined != 1 || len(f.Entries) != 1 || f.Entries[0] != 3 {
		t.Errorf("repaired but refused: %+v", f)
	}
	if e := r.entry(1); e.State != "released" || e.Settled.Note != "looked into" {
		t.Errorf("entry 1 after its release: %+v", e)
	}
	r.submit(one, truckRevision(t, 1, "TM-01"))
	if f := release(2, "Yard office", "", 200, ""); f.Recorded != 1 || f.Position != 2 {
		t.Errorf("released as it was: %+v", f)
	}
	if f := release(3, "Yard office", strings.Replace(other, "J-1", "J-2", 1), 200, ""); f.Recorded != 1 || f.Position != 3 {
		t.Errorf("released repaired: %+v", f)
	}
	release(2, "Yard office", "", 409, ledger.Conflict)
	var page api.QuarantinePage
	if r.call("GET", "/v1/quarantine", "", "", 200).into(t, &page); len(page.Entries) != 0 {
		t.Errorf("still held: %+v", page.Entries)
	}
}

// A release whose message is recorded already, as after a request that was cut
// off before it was noted, is noted when it is repeated.
func TestReleaseRepeated(t *testing.T) {
	r := newRig(t)
	r.record()
	arrival := siteArrival(t, "TM-01", 1, "J-1")
	r.submit(lines, arrival)
	r.submit(lines, truckRevision(t, 1, "TM-01"))
	r.submit(one, strings.Replace(arrival, `{"data"`, `{ "data"`, 1)) // other bytes, the same event
	var f ledger.Fates
	r.call("POST", "/v1/quarantine/1/release", "application/json", settle(t, "Yard office", "", ""), 200).into(t, &f)
	if f.Recorded != 0 || f.Duplicates != 1 || f.Position != 2 {
		t.Errorf("fates %+v", f)
	}
	if e := r.entry(1); e.State != "released" {
		t.Errorf("entry 1 is %s", e.State)
	}
}

func TestSettlementBodies(t *testing.T) {
	r := newRig(t)
	r.record()
	r.submit(lines, "{")
	for _, path := range []string{"/v1/quarantine/1/release", "/v1/quarantine/1/dismiss"} {
		r.refused("POST", path, "application/json", `{"author":"Yard`, 400, ledger.BadRequest)
		r.refused("POST", path, "application/json", `[]`, 422, ledger.BadRequest)
		r.refused("POST", path, "application/json", ``, 400, ledger.BadRequest)
		r.refused("POST", path, "application/json", `{"author":7,"note":"x"}`, 422, ledger.BadRequest)
		r.refused("POST", path, "application/json", `{"author":"Yard office","note":"x","amount":3}`, 422, ledger.BadRequest)
		r.refused("POST", path, "text/csv", `author`, 415, ledger.BadRequest)
		r.refused("POST", path, "application/json", settle(t, strings.Repeat("a", 200), "x", ""), 400, ledger.BadRequest)
		r.refused("POST", path, "application/json", settle(t, strings.Repeat("a", 2<<20), "x", ""), 413, ledger.TooLarge)
	}
	if e := r.entry(1); e.State != "held" {
		t.Errorf("entry 1 is %s", e.State)
	}
}
