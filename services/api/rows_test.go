package api_test

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"

	"spoilbook/events"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
	"spoilbook/services/rows"
)

// tableOf decodes CSV into rows by column.
func tableOf(t *testing.T, body []byte) (out []map[string]string) {
	t.Helper()
	all, err := csv.NewReader(strings.NewReader(string(body))).ReadAll()
	if err != nil || len(all) == 0 || len(all[0]) != len(rows.Columns()) {
		t.Fatalf("%v in %.300q", err, body)
	}
	for _, fields := range all[1:] {
		row := map[string]string{}
		for i, key := range all[0] {
			row[key] = fields[i]
		}
		out = append(out, row)
	}
	return out
}

// The rows are the events that the list has, filtered as it filters, between the positions asked for.
func TestRowsAreTheListedEvents(t *testing.T) {
	r := newRig(t)
	r.record()
	var text strings.Builder
	for i, truck := range []events.TruckID{"TM-01", "TM-02"} {
		text.WriteString(truckRevision(t, uint64(i+1), string(truck)) + "\n")
	}
	for seq := range uint64(10) {
		for _, truck := range []events.TruckID{"TM-01", "TM-02"} {
			text.WriteString(siteArrival(t, truck, seq+1, events.JobID(fmt.Sprint("J-", seq%2+1))) + "\n")
		}
	}
	r.submit(lines, text.String())
	for _, c := range []struct {
		query string
		want  int
		last  string
	}{{"", 22, "22"}, {"truck=TM-01", 10, "22"}, {"job=J-1&truck=TM-02", 5, "22"}, {"kind=register.revised", 2, "22"}, {"after=5", 17, "22"}, {"after=5&at-position=7", 2, "7"},
		{"at-position=1", 1, "1"}, {"after=22", 0, "22"}, {"source=/truck/TM-02&after=20", 1, "22"}, {"truck=TM-09", 0, "22"}} {
		a := r.call("GET", "/v1/events.csv?"+c.query, "", "", 200)
		have := tableOf(t, a.body)
		if len(have) != c.want || a.Header.Get("X-Ledger-Position") != c.last || a.Header.Get("Content-Type") != "text/csv; charset=utf-8" {
			t.Errorf("%q gives %d rows up to %s, want %d up to %s", c.query, len(have), a.Header.Get("X-Ledger-Position"), c.want, c.last)
		}
		for _, row := range have {
			var e struct {
				Hash  string
				Event json.RawMessage
			}
			if r.call("GET", "/v1/events/"+row["position"], "", "", 200).into(t, &e); e.Hash != row["hash"] || string(e.Event) != row["event"] {
				t.Errorf("position %s is\n%v\nwant\n%s", row["position"], row, e.Event)
			}
		}
		b := r.call("GET", "/v1/events.parquet?"+c.query, "", "", 200)
		f, err := parquet.OpenFile(strings.NewReader(string(b.body)), int64(len(b.body)))
		if err != nil || f.NumRows() != int64(c.want) || b.Header.Get("X-Ledger-Position") != c.last || !strings.Contains(b.Header.Get("Content-Disposition"), "events.parquet") {
			t.Errorf("%q as Parquet: %v, header %v", c.query, err, b.Header)
		}
	}
	for _, format := range rows.Formats() {
		r.refused("GET", "/v1/events."+format+"?at-position=23", "", "", 404, ledger.NotFound)
		r.refused("GET", "/v1/events."+format+"?after=8&at-position=7", "", "", 400, ledger.BadRequest)
		r.refused("GET", "/v1/events."+format+"?after=x", "", "", 422, ledger.BadRequest)
	}
	r.refused("GET", "/v1/events.xlsx", "", "", 404, ledger.NotFound)
}

// got is what a role is given at a path.
func (r *guarded) got(role access.Role, path string) []byte {
	r.t.Helper()
	req, err := http.NewRequest("GET", r.server.URL+path, nil)
	r.must(err)
	req.Header.Set("Authorization", "Bearer "+r.tokens[role])
	return r.send(req, 200).body
}

// What is not for a role is in none of its rows: prices, and trucks of others.
func TestRowsAreForWhoMaySeeThem(t *testing.T) {
	r := newGuarded(t)
	card := encode(t, events.Event{ID: "r-9", Source: "/office/register", Seq: 3, Occurred: events.MustTime("2026-10-01T08:00:00.000+01:00"), Origin: events.FromOffice,
		Body: events.RegisterRevised{Key: "VAT", EffectiveFrom: events.MustTime("2026-09-01T00:00:00.000+01:00"), Author: "Yard office", Document: events.Tax{Name: "Tax", RatePercent: "23"}}})
	body := strings.Join([]string{truckRevision(t, 1, "TM-01"), truckRevision(t, 2, "TM-02"), card, siteArrival(t, "TM-01", 1, "J-1"), siteArrival(t, "TM-02", 1, "J-1")}, "\n")
	if status := r.as(access.Office, "POST", "/v1/events", lines, body); status != 200 {
		t.Fatal(status)
	}
	for role, want := range map[access.Role]map[string]int{
		access.Office: {"": 5, "truck=TM-01": 1}, access.Officer: {"": 4, "truck=TM-02": 1}, access.Yard: {"": 4}, access.Administrator: {"": 5},
		access.Crew: {"truck=TM-01": 1}} {
		for query, n := range want {
			if have := tableOf(t, r.got(role, "/v1/events.csv?"+query)); len(have) != n {
				t.Errorf("%s gets %d rows of %q, want %d", role, len(have), query, n)
			}
		}
	}
	if status := r.as(access.Crew, "GET", "/v1/events.csv?truck=TM-02", "", ""); status != 403 {
		t.Errorf("a crew gets another's truck: %d", status)
	}
}

// The description of the streams is given to everybody, as it was handed over; a server without one says so.
func TestStreamDescription(t *testing.T) {
	r := newRig(t)
	if a := r.call("GET", "/asyncapi.json", "", "", 200); string(a.body) != string(r.config.Streams) {
		t.Errorf("%.200q", a.body)
	}
	r.config.Streams, r.config.Registry = nil, nil
	r.serve()
	r.refused("GET", "/asyncapi.json", "", "", 404, ledger.NotFound)
}
