package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"spoilbook/events"
	"spoilbook/services/intake"
	"spoilbook/services/ledger"
)

// readings returns the value of every series.
func readings(t *testing.T, r *prometheus.Registry) map[string]float64 {
	t.Helper()
	families, err := r.Gather()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]float64{}
	for _, f := range families {
		for _, m := range f.GetMetric() {
			name := f.GetName()
			for _, l := range m.GetLabel() {
				name += " " + l.GetValue()
			}
			out[name] = m.GetGauge().GetValue() + m.GetCounter().GetValue()
		}
	}
	return out
}

// watchedSite opens the ledger of a folder without an intake, with its metrics.
func watchedSite(t *testing.T, data string, log *bytes.Buffer) (*site, *prometheus.Registry) {
	t.Helper()
	o := siteOptions{data: data, engineCache: os.Getenv("SPOILBOOK_ENGINE_CACHE"), verbose: true, logFormat: "json"}
	registry := prometheus.NewRegistry()
	s := &site{options: o, log: o.logger(log)}
	s.observe = s.watch(registry)
	if err := s.open(t.Context(), true, log); err != nil {
		t.Fatal(err)
	}
	return s, registry
}

func wantReadings(t *testing.T, r *prometheus.Registry, want map[string]float64, absent ...string) {
	t.Helper()
	have := readings(t, r)
	for name, v := range want {
		if got, ok := have[name]; !ok || got != v {
			t.Errorf("%s is %v (there: %v), want %v", name, got, ok, v)
		}
	}
	for _, name := range absent {
		if v, ok := have[name]; ok {
			t.Errorf("%s is %v, want it absent", name, v)
		}
	}
}

// The figures are right before the first block, while messages wait, after they
// are handled, and at once after a restart.
func TestMetricsAreRightFromTheStart(t *testing.T) {
	data := filepath.Join(t.TempDir(), "d")
	var log bytes.Buffer
	s, registry := watchedSite(t, data, &log)
	wantReadings(t, registry, map[string]float64{"spoilbook_ledger_position": 0, "spoilbook_intake_pending_messages": 0, "spoilbook_intake_oldest_pending_seconds": 0,
		"spoilbook_ready ready": 0, "spoilbook_ready store-down": 1, "spoilbook_quarantine_held_entries": 0, "spoilbook_intake_refused_total same-id-other-body": 0},
		"spoilbook_intake_lag_seconds", "spoilbook_store_block_age_seconds")

	event := func(id string, seq int, reason string) ledger.Message {
		body := fmt.Sprintf(`{"specversion":"1.0","id":%q,"source":"/office/yard","type":"spoilbook.entry.voided","datacontenttype":"application/json","dataschema":"urn:spoilbook:entry.voided:1",`+
			`"time":"2026-10-05T16:30:00.000+01:00","seq":%d,"origin":"office","data":{"refers":{"source":"/truck/TM-01","id":"TM-01-000022"},"author":"Yard office","reason":%q}}`, id, seq, reason)
		return ledger.MessageOf([]byte(body))
	}
	msgs := []ledger.Message{event("y-1", 1, "entered twice"), event("y-4", 4, "entered twice"), event("y-1", 1, "another reason")}
	ticket, err := s.ledger.Submit(t.Context(), msgs)
	if err != nil {
		t.Fatal(err)
	}
	wantReadings(t, registry, map[string]float64{"spoilbook_intake_pending_messages": 3, "spoilbook_intake_stream_sequence": 0})
	if err := s.startIntake(t.Context()); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	if _, err := s.ledger.Await(ctx, ticket); err != nil {
		t.Fatal(err)
	}
	after := map[string]float64{"spoilbook_ledger_position": 2, "spoilbook_intake_stream_sequence": 3, "spoilbook_intake_pending_messages": 0,
		"spoilbook_quarantine_held_entries": 1, "spoilbook_source_missing_numbers /office/yard": 2}
	wantReadings(t, registry, after)
	if have := readings(t, registry); have["spoilbook_broker_used_bytes"] <= 0 || have["spoilbook_broker_limit_bytes"] <= have["spoilbook_broker_used_bytes"] || have["spoilbook_store_memory_bytes"] <= 0 {
		t.Errorf("room: %v", have)
	}
	if err := s.close(); err != nil { // also waits for the intake, which counts after it has stored
		t.Fatal(err)
	}
	again, registry := watchedSite(t, data, &log)
	wantReadings(t, registry, after, "spoilbook_intake_lag_seconds")
	if err := again.close(); err != nil {
		t.Fatal(err)
	}
	checkLog(t, log.String())
}

// checkLog wants every line to be an object, and the block and the refusal told
// with where they are.
func checkLog(t *testing.T, log string) {
	t.Helper()
	told := map[string]map[string]any{}
	for line := range strings.Lines(log) {
		var v map[string]any
		if !strings.HasPrefix(line, "{") {
			continue // the engine's download
		}
		if err := json.Unmarshal([]byte(line), &v); err != nil {
			t.Fatalf("%q is no object: %v", line, err)
		}
		told[fmt.Sprint(v["msg"])] = v
	}
	if b := told["intake: block stored"]; b["position"] != 2.0 || b["first"] != 1.0 || b["last"] != 3.0 || b["quarantined"] != 1.0 {
		t.Errorf("block: %v", b)
	}
	if q := told["intake: quarantined"]; q["source"] != "/office/yard" || q["sequence"] != 3.0 || q["code"] != intake.RefuseOtherBody || q["entry"] != 1.0 {
		t.Errorf("quarantined: %v", q)
	}
}

// However many sources there are, the series are bounded, and the sum is kept.
func TestSeriesOfSourcesAreBounded(t *testing.T) {
	w := &watched{figures: describeFigures()}
	var heads []ledger.SourceHead
	for i := range maxWatched + 50 {
		heads = append(heads, ledger.SourceHead{Source: events.OfficeSource(fmt.Sprint("desk-", i)), Highest: 3, Count: 1, Recorded: time.Now()})
	}
	heads = append(heads, ledger.SourceHead{Source: "/truck/TM-01", Highest: 5, Count: 4, Recorded: time.Now()})
	out := make(chan prometheus.Metric, 4*maxWatched)
	scrape{w, out}.sources(heads)
	if n := len(out); n != 2*(maxWatched+1) {
		t.Errorf("%d series, want %d", n, 2*(maxWatched+1))
	}
	if first := heads[0].Source; first != "/truck/TM-01" {
		t.Errorf("%s comes before the trucks", first)
	}
}
