// Package contents is all that a ledger says, so that two ledgers can be held
// against each other: the events in order of position, the Merkle root, what is in
// quarantine, and every report, in which positions are replaced by the events that
// stand there. Ledgers that were told the same in another order say the same.
//
// For example
//
//	want, err := contents.Read(ctx, "127.0.0.1:40123")  // undisturbed
//	got, err := contents.Read(ctx, "127.0.0.1:40124")   // after a night of faults
//	d := got.Against(accepted, want)                    // d.Lost, d.Doubled, d.Differs
package contents

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net/url"
	"slices"

	"spoilbook/services/client"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
)

// Contents is what one ledger says.
type Contents struct {
	Events  []string          // source and id, in order of position
	Bodies  map[string]string // canonical bytes by source and id
	Root    string            // Merkle root over all events, computed anew
	Held    int               // messages in quarantine
	Reports map[string]string // by name: JSON with events for positions
}

// Read reads everything of the ledger that is served at a host and port. The
// reports are those of the invented month.
func Read(ctx context.Context, address string) (*Contents, error) {
	book, err := client.New("http://" + address)
	if err != nil {
		return nil, err
	}
	c := &Contents{Bodies: map[string]string{}, Reports: map[string]string{}}
	if err := c.readEvents(ctx, book); err != nil {
		return nil, fmt.Errorf("read events: %w", err)
	}
	held, err := book.Quarantine(ctx, ledger.QuarantineQuery{Limit: ledger.MaxPage})
	if err != nil {
		return nil, fmt.Errorf("read quarantine: %w", err)
	}
	rebuilt, err := book.Rebuild(ctx, nil)
	if err != nil {
		return nil, fmt.Errorf("rebuild: %w", err)
	}
	if rebuilt.Events != uint64(len(c.Events)) {
		return nil, ledger.Fail(ledger.Damaged, "%d events are listed and %d were rebuilt", len(c.Events), rebuilt.Events)
	}
	c.Held, c.Root = len(held), rebuilt.Root
	for _, name := range ledger.ReportNames() {
		var b bytes.Buffer
		if err := book.Export(ctx, &b, name, url.Values{"from": {"2026-10-01"}, "to": {"2026-10-31"}, "tz": {demo.ZoneName}}); err != nil {
			return nil, fmt.Errorf("report %s: %w", name, err)
		}
		if c.Reports[name], err = c.normal(b.Bytes()); err != nil {
			return nil, fmt.Errorf("report %s: %w", name, err)
		}
	}
	return c, nil
}

func (c *Contents) readEvents(ctx context.Context, book *client.Client) error {
	for {
		page, err := book.Events(ctx, ledger.EventQuery{After: uint64(len(c.Events)), Limit: ledger.MaxPage})
		if err != nil {
			return err
		}
		for i := range page {
			key := string(page[i].Source) + " " + page[i].ID
			if want := uint64(len(c.Events)) + 1; page[i].Position != want {
				return ledger.Fail(ledger.Damaged, "%s stands at position %d where %d was due", key, page[i].Position, want)
			}
			c.Events = append(c.Events, key)
			c.Bodies[key] = string(page[i].Body)
		}
		if len(page) < ledger.MaxPage {
			return nil
		}
	}
}

// normal gives a report's JSON without the moment and the root, and with events
// for positions, which the order of arrival decides.
func (c *Contents) normal(text []byte) (string, error) {
	var document map[string]any
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber() // every digit counts
	if err := d.Decode(&document); err != nil {
		return "", err
	}
	provenance, _ := document["provenance"].(map[string]any)
	for _, key := range []string{"at", "ledgerHash", "registerPosition"} {
		delete(provenance, key)
	}
	out, err := json.Marshal(c.cited(document))
	return string(out), err
}

// cited replaces the positions under every key "events" or "event" by the events
// themselves.
func (c *Contents) cited(v any) any {
	switch v := v.(type) {
	case map[string]any:
		for key, member := range v {
			positions, many := member.([]any)
			position, one := member.(json.Number)
			switch {
			case many && key == "events":
				v[key] = c.named(positions)
			case one && key == "event":
				v[key] = c.named([]any{position})
			default:
				v[key] = c.cited(member)
			}
		}
	case []any:
		for i := range v {
			v[i] = c.cited(v[i])
		}
	}
	return v
}

func (c *Contents) named(positions []any) []string {
	names := make([]string, len(positions))
	for i, p := range positions {
		names[i] = fmt.Sprintf("no event at position %v", p)
		number, _ := p.(json.Number)
		if n, err := number.Int64(); err == nil && n >= 1 && n <= int64(len(c.Events)) {
			names[i] = c.Events[n-1]
		}
	}
	slices.Sort(names)
	return names
}

// Difference is how a ledger departs from what was accepted and from another that
// nothing disturbed.
type Difference struct {
	Lost    []string // accepted, and not there or not with these bytes
	Doubled []string // there more than once
	Foreign []string // there, and never accepted
	Differs []string // what else is not the same, in words
}

// None reports whether there is no difference.
func (d *Difference) None() bool {
	return len(d.Lost)+len(d.Doubled)+len(d.Foreign)+len(d.Differs) == 0
}

// String names the first few differences of each kind.
func (d *Difference) String() string {
	return fmt.Sprintf("%d lost %.3q, %d doubled %.3q, %d foreign %.3q, %.600q", len(d.Lost), first(d.Lost), len(d.Doubled), first(d.Doubled), len(d.Foreign), first(d.Foreign), d.Differs)
}

func first(list []string) []string { return list[:min(3, len(list))] }

// Against compares what a ledger says with the events that were accepted (bytes by
// source and id) and with what an undisturbed ledger says.
func (c *Contents) Against(accepted map[string]string, want *Contents) *Difference {
	d := &Difference{}
	times := map[string]int{}
	for _, key := range c.Events {
		if times[key]++; times[key] == 2 {
			d.Doubled = append(d.Doubled, key)
		}
		if _, ok := accepted[key]; !ok {
			d.Foreign = append(d.Foreign, key)
		}
	}
	for _, key := range slices.Sorted(maps.Keys(accepted)) {
		if times[key] == 0 || c.Bodies[key] != accepted[key] {
			d.Lost = append(d.Lost, key)
		}
	}
	if c.Held != want.Held {
		d.Differs = append(d.Differs, fmt.Sprintf("%d messages in quarantine, want %d", c.Held, want.Held))
	}
	if slices.Equal(c.Events, want.Events) != (c.Root == want.Root) {
		d.Differs = append(d.Differs, fmt.Sprintf("the root is %s and the other's %s", c.Root, want.Root))
	}
	for _, name := range slices.Sorted(maps.Keys(want.Reports)) {
		if got := c.Reports[name]; got != want.Reports[name] {
			d.Differs = append(d.Differs, departure(name, got, want.Reports[name]))
		}
	}
	return d
}

// departure shows where a report leaves the other.
func departure(name, got, want string) string {
	at := 0
	for at < min(len(got), len(want)) && got[at] == want[at] {
		at++
	}
	from := max(0, at-100)
	return fmt.Sprintf("report %s differs at byte %d: %.250s | want: %.250s", name, at, got[from:], want[from:])
}
