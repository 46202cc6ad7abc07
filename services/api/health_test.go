package api_test

import (
	"bytes"
	"context"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil/promlint"

	"spoilbook/services/api"
	"spoilbook/services/ledger"
)

func TestHealth(t *testing.T) {
	r := newRig(t)
	for _, status := range []string{"live", "ready"} {
		var v api.HealthView
		if r.call("GET", "/health/"+status, "", "", 200).into(t, &v); v.Status != status || v.Version != "test" {
			t.Errorf("%s: %+v", status, v)
		}
	}
	r.config.Ready, r.config.Registry = func(context.Context) error { return ledger.Fail(ledger.StoreDown, "the intake is starting again") }, nil
	r.serve()
	r.call("GET", "/health/live", "", "", 200)
	if p := r.refused("GET", "/health/ready", "", "", 503, ledger.StoreDown); p.Detail != "not ready" {
		t.Errorf("detail: %s", p.Detail)
	}
}

func TestBrokerDown(t *testing.T) {
	r := newRig(t)
	stop := r.record()
	r.submit(one, truckRevision(t, 1, "TM-01"))
	stop()
	r.must(r.broker.Close(t.Context()))
	r.call("GET", "/health/live", "", "", 200)
	r.refused("GET", "/health/ready", "", "", 503, ledger.BrokerDown)
	r.refused("POST", "/v1/events", one, truckRevision(t, 2, "TM-02"), 503, ledger.BrokerDown)
	// What is recorded can still be read.
	r.call("GET", "/v1/events/1", "", "", 200)
	r.call("GET", "/v1/reports/water?"+october, "", "", 200)
}

func TestStoreDown(t *testing.T) {
	r := newRig(t)
	r.must(r.engine.Close())
	r.call("GET", "/health/live", "", "", 200)
	r.refused("GET", "/health/ready", "", "", 503, ledger.StoreDown)
	for _, path := range []string{"/v1/head", "/v1/events", "/v1/events/1", "/v1/quarantine", "/v1/quarantine/1", "/v1/reports/water?" + october, "/v1/postings?tz=UTC"} {
		p := r.refused("GET", path, "", "", 503, ledger.StoreDown)
		if strings.Contains(p.Detail, "engine") {
			t.Errorf("%s tells the caller about our parts: %s", path, p.Detail)
		}
	}
	// An event is received all the same, and recorded when the store is back.
	var v api.SubmitView
	if r.call("POST", "/v1/events?wait=0s", one, truckRevision(t, 1, "TM-01"), 202).into(t, &v); v.State != "received" || v.Count != 1 {
		t.Errorf("submitted: %+v", v)
	}
	r.refused("POST", "/v1/events?wait=1s", one, truckRevision(t, 2, "TM-02"), 503, ledger.StoreDown)
}

func TestMetrics(t *testing.T) {
	r := newRig(t)
	r.config.Registry = prometheus.NewRegistry()
	r.serve()
	r.call("GET", "/v1/head", "", "", 200)
	r.call("GET", "/v1/events/7", "", "", 404)
	r.call("GET", "/nothing", "", "", 404)
	a := r.call("GET", "/metrics", "", "", 200)
	for _, want := range []string{`spoilbook_http_seconds_count{route="/v1/head",status="OK"} 1`, `route="/v1/events/:position",status="Not Found"`, `route="none",status="Not Found"`} {
		if !strings.Contains(string(a.body), want) {
			t.Errorf("metrics lack %s:\n%s", want, a.body)
		}
	}
	wrong, err := promlint.New(bytes.NewReader(a.body)).Lint()
	if err != nil || len(wrong) != 0 {
		t.Errorf("metrics: %v, %v", wrong, err)
	}
}
