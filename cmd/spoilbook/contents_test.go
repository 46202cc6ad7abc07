package main

import (
	"bytes"
	"encoding/json"
	"maps"
	"net/url"
	"slices"
	"syscall"
	"testing"

	"spoilbook/services/client"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
)

// monthLines is the invented month as a file of lines, with the messages that can
// not become events at its end.
func monthLines(t testing.TB) []byte {
	t.Helper()
	month, err := demo.Build()
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	for _, batch := range month.Batches {
		msgs, err := ledger.MessagesOf(batch.Events)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range msgs {
			b.Write(m.Body)
			b.WriteByte('\n')
		}
	}
	for _, m := range demo.Raw() {
		b.Write(bytes.ReplaceAll(m.Body, []byte("\n"), []byte(" ")))
		b.WriteByte('\n')
	}
	return b.Bytes()
}

// contents is what a ledger says, without the moments at which it was told.
type contents struct {
	events  []string          // source and id, in order of position
	root    string            // Merkle root over all of them
	held    int               // messages in quarantine
	reports map[string]string // JSON by name
}

// contentsOf serves a ledger and reads everything of it.
func contentsOf(t *testing.T, dir string, options ...string) contents {
	t.Helper()
	p, err := start(dir, environment(t), "spoilbook", append([]string{"serve", "--open", "--listen", "127.0.0.1:0"}, options...)...)
	if err != nil {
		t.Fatal(err)
	}
	defer p.end(syscall.SIGKILL)
	address, err := p.waitFor(`^spoilbook serves at (\S+)`)
	if err != nil {
		t.Fatal(err)
	}
	c := contentsAt(t, address)
	if status := p.end(syscall.SIGTERM); status != 0 {
		_, stderr, _ := p.printed()
		t.Errorf("serve ends with status %d: %s", status, stderr)
	}
	return c
}

// contentsAt reads everything of a ledger that is served.
func contentsAt(t *testing.T, address string) contents {
	t.Helper()
	book, err := client.New(address)
	if err != nil {
		t.Fatal(err)
	}
	c := contents{reports: map[string]string{}}
	for {
		page, err := book.Events(t.Context(), ledger.EventQuery{After: uint64(len(c.events)), Limit: ledger.MaxPage})
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range page {
			c.events = append(c.events, string(e.Source)+" "+e.ID)
		}
		if len(page) < ledger.MaxPage {
			break
		}
	}
	held, err := book.Quarantine(t.Context(), ledger.QuarantineQuery{Limit: ledger.MaxPage})
	if err != nil {
		t.Fatal(err)
	}
	rebuilt, err := book.Rebuild(t.Context(), nil)
	if err != nil || rebuilt.Events != uint64(len(c.events)) {
		t.Fatalf("rebuilt %+v of %d events, %v", rebuilt, len(c.events), err)
	}
	c.held, c.root = len(held), rebuilt.Root
	for _, name := range ledger.ReportNames() {
		var b bytes.Buffer
		err := book.Export(t.Context(), &b, name, url.Values{"from": {"2026-10-01"}, "to": {"2026-10-31"}, "tz": {demo.ZoneName}})
		if err != nil {
			t.Fatal(err)
		}
		c.reports[name] = c.normal(t, b.Bytes())
	}
	return c
}

// normal gives a report's JSON with events instead of their positions, which the
// order of arrival decides, and without the moment and the root.
func (c *contents) normal(t *testing.T, text []byte) string {
	t.Helper()
	var document map[string]any
	if err := json.Unmarshal(text, &document); err != nil {
		t.Fatal(err)
	}
	provenance, _ := document["provenance"].(map[string]any)
	for _, key := range []string{"at", "ledgerHash", "registerPosition"} {
		delete(provenance, key)
	}
	out, err := json.Marshal(c.cited(document))
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// cited replaces the positions under every key "events" by the events themselves.
func (c *contents) cited(v any) any {
	switch v := v.(type) {
	case map[string]any:
		for key, member := range v {
			positions, ok := member.([]any)
			if !ok || key != "events" {
				v[key] = c.cited(member)
				continue
			}
			names := []string{}
			for _, p := range positions {
				n, _ := p.(float64)
				names = append(names, c.events[int(n)-1])
			}
			slices.Sort(names)
			v[key] = names
		}
	case []any:
		for i := range v {
			v[i] = c.cited(v[i])
		}
	}
	return v
}

// same wants a ledger to say what another says. Where the events stand in the same
// order, the Merkle root must be the same too; it says whether they do.
func (c *contents) same(t *testing.T, want *contents) {
	t.Helper()
	if a, b := sorted(c.events), sorted(want.events); !slices.Equal(a, b) || len(a) != len(slices.Compact(a)) {
		t.Fatalf("%d events, want %d, each once", len(c.events), len(want.events))
	}
	inOrder := slices.Equal(c.events, want.events)
	if inOrder != (c.root == want.root) {
		t.Errorf("events in the same order: %v; roots %s and %s", inOrder, c.root, want.root)
	}
	t.Logf("%d events, in the same order and with the same root: %v", len(c.events), inOrder)
	if c.held != want.held {
		t.Errorf("%d messages in quarantine, want %d", c.held, want.held)
	}
	for _, name := range slices.Sorted(maps.Keys(want.reports)) {
		if got := c.reports[name]; got != want.reports[name] {
			at := 0
			for at < min(len(got), len(want.reports[name])) && got[at] == want.reports[name][at] {
				at++
			}
			t.Errorf("report %s differs at byte %d: %.300s\nwant: %.300s", name, at, got[max(0, at-100):], want.reports[name][max(0, at-100):])
		}
	}
}

func sorted(list []string) []string { return slices.Sorted(slices.Values(list)) }
