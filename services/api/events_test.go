package api_test

import (
	"fmt"
	"net/url"
	"strings"
	"testing"

	"spoilbook/events/wire"
	"spoilbook/services/api"
	"spoilbook/services/ledger"
)

// The media types of events.
const (
	one   = "application/cloudevents+json"
	batch = "application/cloudevents-batch+json"
	lines = "application/x-ndjson"
)

// submit hands events over and wants them handled.
func (r *rig) submit(media, body string) api.SubmitView {
	r.t.Helper()
	var v api.SubmitView
	r.call("POST", "/v1/events?wait=30s", media, body, 200).into(r.t, &v)
	if v.State != "recorded" || v.Recorded+v.Duplicates+v.Quarantined != uint64(v.Count) || v.Last-v.First+1 != uint64(v.Count) {
		r.t.Fatalf("submitted: %+v", v)
	}
	return v
}

// fates says in short what became of events.
func fates(v api.SubmitView) string {
	return fmt.Sprintf("%d new, %d again, %d held, at %d", v.Recorded, v.Duplicates, v.Quarantined, v.Position)
}

func TestSubmitCountsAnEventOnce(t *testing.T) {
	r := newRig(t)
	r.record()
	bad := strings.Replace(siteArrival(t, "TM-01", 9, "J-1"), `"seq":9`, `"seq":"nine"`, 1)
	for _, step := range []struct{ media, body, want string }{
		{one, truckRevision(t, 1, "TM-01"), "1 new, 0 again, 0 held, at 1"},
		{"application/json; charset=utf-8", truckRevision(t, 1, "TM-01"), "0 new, 1 again, 0 held, at 1"},
		{batch, "[" + siteArrival(t, "TM-01", 1, "J-1") + ",\n" + siteArrival(t, "TM-01", 2, "J-1") + "]", "2 new, 0 again, 0 held, at 3"},
		{batch, "[" + siteArrival(t, "TM-01", 1, "J-1") + ",\n" + siteArrival(t, "TM-01", 2, "J-1") + "]", "0 new, 2 again, 0 held, at 3"},
		{lines, siteArrival(t, "TM-01", 2, "J-1") + "\r\n\n" + siteArrival(t, "TM-01", 3, "J-1"), "1 new, 1 again, 0 held, at 4"},
		{"Application/X-NDJSON", siteArrival(t, "TM-01", 2, "J-1") + "\n" + siteArrival(t, "TM-01", 3, "J-1") + "\n", "0 new, 2 again, 0 held, at 4"},
		{batch, "[" + siteArrival(t, "TM-01", 4, "J-1") + "," + bad + ",17]", "1 new, 0 again, 2 held, at 5"},
		{batch, "[" + siteArrival(t, "TM-01", 4, "J-1") + "," + bad + ",17]", "0 new, 3 again, 0 held, at 5"},
		{lines, "{\n" + siteArrival(t, "TM-01", 5, "J-1"), "1 new, 0 again, 1 held, at 6"},
		{one, `{"specversion":`, "0 new, 0 again, 1 held, at 6"},
	} {
		if got := fates(r.submit(step.media, step.body)); got != step.want {
			t.Errorf("%s %.60q: %s, want %s", step.media, step.body, got, step.want)
		}
	}
	if v := r.submit(one, "[]"); len(v.Entries) != 1 || v.Entries[0] != 5 {
		t.Errorf("the fifth message that is no event has entries %v", v.Entries)
	}
}

func TestSubmitRefusesWhatCanNotBeSplit(t *testing.T) {
	r := newRig(t)
	event := siteArrival(t, "TM-01", 1, "J-1")
	r.refused("POST", "/v1/events", batch, event, 400, ledger.BadRequest)
	r.refused("POST", "/v1/events", batch, "["+event, 400, ledger.BadRequest)
	r.refused("POST", "/v1/events", batch, "[]", 400, ledger.BadRequest)
	r.refused("POST", "/v1/events", lines, "\n \r\n", 400, ledger.BadRequest)
	r.refused("POST", "/v1/events", one, " ", 400, ledger.BadRequest)
	r.refused("POST", "/v1/events", "text/plain", event, 415, ledger.BadRequest)
	r.refused("POST", "/v1/events", "", event, 415, ledger.BadRequest)
	r.refused("POST", "/v1/events?wait=soon", one, event, 400, ledger.BadRequest)
	r.refused("POST", "/v1/events?wait=-1s", one, event, 400, ledger.BadRequest)
	r.refused("POST", "/v1/events?wait=61s", one, event, 400, ledger.BadRequest)
	long := `{"specversion":"` + strings.Repeat("1", wire.MaxBytes) + `"}`
	r.refused("POST", "/v1/events", lines, event+"\n"+long, 413, ledger.TooLarge)
	r.refused("POST", "/v1/events", lines, strings.Repeat("{\n", ledger.MaxSubmit+1), 413, ledger.TooLarge)
	if st, err := r.broker.StreamState(t.Context()); err != nil || st.Msgs != 0 {
		t.Errorf("%d messages were stored although all were refused, %v", st.Msgs, err)
	}
}

// Without waiting, an event is received first and recorded later.
func TestReceivedThenRecorded(t *testing.T) {
	r := newRig(t)
	var v api.SubmitView
	r.call("POST", "/v1/events?wait=0s", lines, truckRevision(t, 1, "TM-01")+"\n"+siteArrival(t, "TM-01", 1, "J-1"), 202).into(t, &v)
	if v.State != "received" || v.Count != 2 || v.First != 1 || v.Last != 2 || v.Recorded != 0 {
		t.Fatalf("without an intake: %+v", v)
	}
	r.call("POST", "/v1/events?wait=20ms", one, siteArrival(t, "TM-01", 2, "J-1"), 202).into(t, &v)
	if v.State != "received" || v.First != 3 {
		t.Fatalf("after a short wait: %+v", v)
	}
	ask := func(first, last uint64, wait string) string {
		return "/v1/fates?" + url.Values{"stream": {v.Stream}, "first": {fmt.Sprint(first)}, "last": {fmt.Sprint(last)}, "wait": {wait}}.Encode()
	}
	p := r.refused("GET", ask(1, 3, "0s"), "", "", 504, ledger.TimedOut)
	if !strings.Contains(p.Detail, "received and safe") {
		t.Errorf("detail: %s", p.Detail)
	}
	r.record()
	var f ledger.Fates
	r.call("GET", ask(1, 3, "30s"), "", "", 200).into(t, &f)
	if f.Recorded != 3 || f.Position != 3 {
		t.Errorf("fates %+v", f)
	}
	r.call("GET", ask(2, 2, "0s"), "", "", 200).into(t, &f)
	if f.Recorded != 1 || f.Duplicates != 0 {
		t.Errorf("fates of one message %+v", f)
	}
	r.refused("GET", ask(3, 2, "1s"), "", "", 400, ledger.BadRequest)
	r.refused("GET", ask(0, 2, "1s"), "", "", 422, ledger.BadRequest)
	r.refused("GET", ask(1, 2, "1h"), "", "", 400, ledger.BadRequest)
	r.refused("GET", "/v1/fates?first=1&last=1", "", "", 422, ledger.BadRequest)
	r.refused("GET", strings.Replace(ask(1, 1, "1s"), "%40", "%409", 1), "", "", 404, ledger.NotFound)
}

func TestEventsInPages(t *testing.T) {
	r := newRig(t)
	r.record()
	text := truckRevision(t, 1, "TM-01") + "\n" + truckRevision(t, 2, "TM-02") + "\n"
	for seq := range uint64(10) {
		text += siteArrival(t, "TM-01", seq+1, "J-1") + "\n" + siteArrival(t, "TM-02", seq+1, "J-2") + "\n"
	}
	r.submit(lines, text)
	var page api.EventPage
	var seen []uint64
	for after := uint64(0); ; after = page.Next {
		page = api.EventPage{}
		r.call("GET", fmt.Sprintf("/v1/events?truck=TM-02&kind=site.arrived&limit=4&after=%d", after), "", "", 200).into(t, &page)
		for _, e := range page.Events {
			seen = append(seen, e.Position)
			event, err := wire.Decode(e.Event)
			if err != nil || event.Truck != "TM-02" || event.Job != "J-2" || e.Recorded.IsZero() || len(e.Hash) != 64 {
				t.Errorf("event %+v, %v", e, err)
			}
		}
		if page.Next == 0 {
			break
		}
	}
	if want := "[4 6 8 10 12 14 16 18 20 22]"; fmt.Sprint(seen) != want {
		t.Errorf("positions %v, want %s", seen, want)
	}
	for query, want := range map[string]int{"": 22, "job=J-1": 10, "source=/office/register": 2, "id=TM-01-3": 1, "truck=TM-09": 0,
		"truck=TM-01&limit=1": 1, "after=22": 0, "after=18446744073709551615": 0, "limit=10000": 22} {
		r.call("GET", "/v1/events?"+query, "", "", 200).into(t, &page)
		if len(page.Events) != want {
			t.Errorf("%q gives %d events, want %d", query, len(page.Events), want)
		}
	}
	var e api.EventView
	if r.call("GET", "/v1/events/22", "", "", 200).into(t, &e); e.Position != 22 {
		t.Errorf("position %d", e.Position)
	}
	r.refused("GET", "/v1/events/23", "", "", 404, ledger.NotFound)
	r.refused("GET", "/v1/events/0", "", "", 422, ledger.BadRequest)
	r.refused("GET", "/v1/events/first", "", "", 422, ledger.BadRequest)
	r.refused("GET", "/v1/events?limit=10001", "", "", 413, ledger.TooLarge)
	p := r.refused("GET", "/v1/events?limit=0&after=x", "", "", 422, ledger.BadRequest)
	if len(p.Fields) != 2 || p.Fields[0].Field != "query.after" || p.Fields[0].Found != `"x"` || p.Fields[1].Field != "query.limit" {
		t.Errorf("fields %+v", p.Fields)
	}
}

// A page of large events ends before it outgrows an answer, and says how to go on.
func TestPagesAreBounded(t *testing.T) {
	r := newRig(t)
	r.record()
	const n = 80
	var text strings.Builder
	for i := range n {
		// Not valid, so kept whole: 250 kB each.
		fmt.Fprintf(&text, "{%q:%q}\n", fmt.Sprint(i), strings.Repeat("x", 250_000))
	}
	r.submit(lines, text.String())
	seen := 0
	for after, pages := uint64(0), 1; ; pages++ {
		var page api.QuarantinePage
		a := r.call("GET", fmt.Sprintf("/v1/quarantine?limit=1000&after=%d", after), "", "", 200)
		a.into(t, &page)
		if len(a.body) > 48<<20 {
			t.Errorf("a page has %d bytes", len(a.body))
		}
		seen, after = seen+len(page.Entries), page.Next
		if after == 0 {
			if pages < 2 || seen != n {
				t.Errorf("%d entries in %d pages, want %d in some", seen, pages, n)
			}
			return
		}
	}
}
