package api_test

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/services/api"
	"spoilbook/services/ledger"
)

// shift is an hour in which a truck's shift says nothing else, as two lines.
func shift(t testing.TB, truck events.TruckID) string {
	var out strings.Builder
	for i, body := range []events.Body{events.ShiftStarted{}, events.ShiftEnded{}} {
		at := events.MustTime("2026-10-05T06:00:00.000+01:00")
		at.UnixMS += int64(i) * 3_600_000
		out.WriteString(encode(t, events.Event{ID: fmt.Sprintf("%s-%d", truck, i+1), Source: events.TruckSource(truck), Seq: uint64(i + 1), Truck: truck, Operator: "OP-1",
			Occurred: at, Origin: events.FromController, Body: body}) + "\n")
	}
	return out.String()
}

// adjusted is the part of an adjustment that the tests look at.
type adjusted struct {
	Report string
	Tables []struct {
		Name string
		Rows []map[string]any
	}
}

func (a *adjusted) rows(table string) []map[string]any {
	for _, t := range a.Tables {
		if t.Name == table {
			return t.Rows
		}
	}
	return nil
}

func TestAReportIsIssuedAndAdjusted(t *testing.T) {
	r := newRig(t)
	r.recordDays(4)
	const body = `{"report":"billable","number":"INV-1","from":"2026-10-01","to":"2026-10-31","tz":"Europe/Dublin","author":"Yard office"}`
	var issued ledger.IssuedView
	r.call("POST", "/v1/issued", "application/json", body, 200).into(t, &issued)
	if issued.Number != "INV-1" || issued.EventPosition != issued.Position+1 || len(issued.Digest) != 64 {
		t.Errorf("issued %+v", issued)
	}
	r.refused("POST", "/v1/issued", "application/json", body, 409, ledger.Conflict)
	var list api.IssuedList
	r.call("GET", "/v1/issued", "", "", 200).into(t, &list)
	if len(list.Issued) != 1 || list.Issued[0].Digest != issued.Digest || list.Issued[0].EventPosition != issued.EventPosition {
		t.Errorf("issued reports %+v", list)
	}
	// Anybody can take the digest of the report at its position.
	export := fmt.Sprintf("/v1/reports/billable?%s&at-position=%d", october, issued.Position)
	was := r.call("GET", export, "", "", 200).body
	if sum := sha256.Sum256(was); hex.EncodeToString(sum[:]) != issued.Digest {
		t.Errorf("the report's digest is %x, issued with %s", sum, issued.Digest)
	}

	var a adjusted
	r.call("GET", "/v1/issued/INV-1/adjustment", "", "", 200).into(t, &a)
	if a.Report != "adjustment" || len(a.rows("Adjustment lines")) != 0 || len(a.rows("Adjustment totals")) == 0 {
		t.Errorf("nothing has changed, and the adjustment is %+v", a)
	}
	// A load is voided: its time is on site instead.
	var page api.EventPage
	r.call("GET", "/v1/events?kind=load.collected&limit=1", "", "", 200).into(t, &page)
	var load struct{ Source, ID string }
	r.must(json.Unmarshal(page.Events[0].Event, &load))
	void := encode(t, events.Event{ID: "void-1", Source: "/office/yard-2", Seq: 1, Occurred: events.MustTime("2026-10-20T09:00:00.000+01:00"), Origin: events.FromOffice,
		Body: events.EntryVoided{Refers: events.Ref{Source: events.Source(load.Source), ID: load.ID}, Reason: "entered twice", Author: "Yard office"}})
	if v := r.submit(one, void); v.Recorded != 1 {
		t.Fatalf("the voiding: %+v", v)
	}
	answer := r.call("GET", "/v1/issued/INV-1/adjustment", "", "", 200)
	answer.into(t, &a)
	position := fmt.Sprint(issued.EventPosition + 1)
	if rows := a.rows("Adjustment lines"); len(rows) == 0 || answer.Header.Get("X-Ledger-Position") != position {
		t.Errorf("the adjustment is %s", answer.body)
	}
	if again := r.call("GET", export, "", "", 200).body; string(again) != string(was) {
		t.Error("the issued report has changed")
	}
	for _, format := range []string{"xlsx", "csv", "zip", "text"} {
		out := r.call("GET", "/v1/issued/INV-1/adjustment?format="+format, "", "", 200)
		if err := looksLike(format, out.body); err != nil {
			t.Errorf("the adjustment as %s: %v", format, err)
		}
	}
	r.refused("GET", "/v1/issued/INV-1/adjustment?format=csv&table=none", "", "", 404, ledger.NotFound)
	r.refused("GET", "/v1/issued/INV-1/adjustment?at-position=1", "", "", 400, ledger.BadRequest)
	r.refused("GET", "/v1/issued/INV-1/adjustment?at-position=999999", "", "", 404, ledger.NotFound)
}

// What was chosen for a report is in its event, so that it can be computed so again.
func TestAnIssuedReportKeepsItsChoices(t *testing.T) {
	r := newRig(t)
	r.recordDays(2)
	for _, c := range []struct{ body, query, want string }{
		{`"report":"manifest","number":"M-1","profile":"us-hazardous-waste-manifest","allocation":"first-in-first-out"`,
			"manifest?profile=us-hazardous-waste-manifest&allocation=first-in-first-out&", "us-hazardous-waste-manifest  first-in-first-out  0"},
		{`"report":"manifest","number":"M-2"`, "manifest?", "general  pro-rata  0"},
		{`"report":"timesplit","number":"T-1","rest":"eu-561-2006"`, "timesplit?rest=eu-561-2006&", " eu-561-2006 pro-rata  0"},
		{`"report":"axles","number":"A-1","axleRule":"bridge"`, "axles?axle-rule=bridge&", "  pro-rata bridge 0"},
		{`"report":"care","number":"C-1","altitudeM":350`, "care?altitude-m=350&", "    350"},
		{`"report":"billable","number":"INV-1","allocation":"first-in-first-out"`, "billable?allocation=first-in-first-out&", "  first-in-first-out  0"},
	} {
		var v ledger.IssuedView
		r.call("POST", "/v1/issued", "application/json", "{"+c.body+`,"from":"2026-10-01","to":"2026-10-31","tz":"Europe/Dublin","author":"Yard office"}`, 200).into(t, &v)
		if got := strings.Join([]string{v.Profile, v.Rest, v.Allocation, v.AxleRule, fmt.Sprint(v.AltitudeM)}, " "); got != c.want {
			t.Errorf("%s is issued with %q, want %q", v.Number, got, c.want)
		}
		was := r.call("GET", fmt.Sprintf("/v1/reports/%s%s&at-position=%d", c.query, october, v.Position), "", "", 200).body
		if sum := sha256.Sum256(was); hex.EncodeToString(sum[:]) != v.Digest {
			t.Errorf("%s has the digest %x at its position, issued with %s", v.Number, sum, v.Digest)
		}
	}
	var again struct{ Notes []string }
	r.call("GET", "/v1/issued/INV-1/adjustment", "", "", 200).into(t, &again)
	if text := strings.Join(again.Notes, "\n"); text == "" || strings.Contains(text, "has the digest") {
		t.Errorf("the invoice is not what it was issued as: %s", text)
	}
	issue := `{"report":"water","number":"W-1","from":"2026-10-01","to":"2026-10-31","tz":"Europe/Dublin","author":"A",`
	r.refused("POST", "/v1/issued", "application/json", issue+`"profile":"general"}`, 400, ledger.BadRequest)
	r.refused("POST", "/v1/issued", "application/json", issue+`"allocation":"oldest"}`, 422, ledger.BadRequest)
	r.refused("GET", "/v1/reports/axles?"+october+"&axle-rule=us", "", "", 422, ledger.BadRequest)
	r.refused("GET", "/v1/reports/care?"+october+"&altitude-m=9000", "", "", 422, ledger.BadRequest)
	if p := r.refused("GET", "/v1/reports/care?"+october+"&allocation=pro-rata", "", "", 400, ledger.BadRequest); !strings.Contains(p.Detail, "does not have this choice") {
		t.Errorf("a choice that the report does not have: %+v", p)
	}
}

func TestIssuesRefused(t *testing.T) {
	r := newRig(t)
	r.record()
	r.submit(lines, truckRevision(t, 1, "TM-01")+"\n"+shift(t, "TM-01"))
	good := map[string]string{"report": "timesplit", "number": "TS.1", "from": "2026-10-01", "to": "2026-10-31", "tz": "Europe/Dublin", "author": "A"}
	body := func(key, value string) string {
		changed := map[string]string{}
		for k, v := range good {
			changed[k] = v
		}
		changed[key] = value
		text, err := json.Marshal(changed)
		r.must(err)
		return string(text)
	}
	for _, c := range []struct {
		key, value string
		status     int
	}{
		{"number", "a/b", 400}, {"number", "-1", 400}, {"number", "", 422}, {"report", "fuel", 422}, {"author", " ", 400}, {"author", "", 422},
		{"from", "2026-11-01", 400}, {"tz", "Europe/Tarnmoor", 400},
	} {
		r.refused("POST", "/v1/issued", "application/json", body(c.key, c.value), c.status, ledger.BadRequest)
	}
	r.refused("POST", "/v1/issued", "application/json", body("client", "nobody"), 404, ledger.NotFound)
	var issued ledger.IssuedView
	r.call("POST", "/v1/issued", "application/json", body("author", "Yard office"), 200).into(t, &issued)
	if issued.Position != 3 || issued.EventPosition != 4 {
		t.Errorf("issued %+v", issued)
	}
	if p := r.refused("GET", "/v1/issued/TS.1/adjustment", "", "", 400, ledger.BadRequest); !strings.Contains(p.Detail, "only billable") {
		t.Errorf("the adjustment of a time split: %+v", p)
	}
	r.refused("GET", "/v1/issued/none/adjustment", "", "", 404, ledger.NotFound)
}

func TestALineIsExplained(t *testing.T) {
	r := newRig(t)
	r.recordDays(2)
	for _, name := range []string{"billable", "timesplit", "care", "axles"} {
		var list api.LineList
		r.call("GET", "/v1/reports/"+name+"/lines?"+october, "", "", 200).into(t, &list)
		if len(list.Lines) < 10 {
			t.Fatalf("%d lines of %s can be explained", len(list.Lines), name)
		}
		for _, line := range list.Lines[:10] {
			var e ledger.ExplanationView
			path := "/v1/reports/" + name + "/explain?" + october + "&table=" + url.QueryEscape(line.Table) + "&line=" + url.QueryEscape(line.Key)
			r.call("GET", path, "", "", 200).into(t, &e)
			if e.Report != name || e.Table != line.Table || e.Line != line.Key || e.Says == "" || len(e.Steps) == 0 || len(e.Rules) == 0 {
				t.Errorf("%s %q: %+v", name, line.Key, e)
			}
		}
	}
	full, bare := r.call("GET", "/v1/reports/billable?"+october+"&workings=true", "", "", 200), r.call("GET", "/v1/reports/billable?"+october, "", "", 200)
	if n := strings.Count(string(full.body), `"workings": `); n < 10 || strings.Contains(string(bare.body), `"workings"`) {
		t.Errorf("%d lines of the report say how they came about", n)
	}
	r.refused("GET", "/v1/reports/billable?"+october+"&workings=true&format=text", "", "", 400, ledger.BadRequest)
	r.refused("GET", "/v1/reports/billable/explain?"+october+"&line=none", "", "", 404, ledger.NotFound)
	r.refused("GET", "/v1/reports/billable/explain?"+october, "", "", 422, ledger.BadRequest)
	r.refused("GET", "/v1/reports/timesplit/explain?"+october+"&rest=none&line=x", "", "", 400, ledger.BadRequest)
}
