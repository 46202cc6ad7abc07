package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"slices"
	"sort"
	"strings"
	"sync"
	"time"

	"spoilbook/events"
	"spoilbook/events/wire"
	"spoilbook/services/client"
	"spoilbook/services/ledger"
)

// driver sends events of trucks of its own and remembers what was received.
type driver struct {
	target *target
	client *client.Client
	http   *http.Client
	opts   options
	stderr io.Writer
	run    string // in the names of the trucks, so that a ledger can be driven again
	before uint64 // position of the ledger at the start

	mu       sync.Mutex
	received map[events.Source]uint64 // how many numbers, from 1, the broker has taken
	result   result                   // of the profile that runs
	fresh    []time.Duration          // of it: from received to recorded
}

// result is what one profile did.
type result struct {
	Name         string         `json:"name"`
	Events       int            `json:"events"`
	Seconds      float64        `json:"seconds"` // until all was recorded
	ReceivedPerS float64        `json:"receivedPerS"`
	RecordedPerS float64        `json:"recordedPerS"`
	Fresh        int            `json:"fresh"` // events whose way was timed
	P50MS        float64        `json:"p50MS"` // from received to recorded
	P95MS        float64        `json:"p95MS"`
	P99MS        float64        `json:"p99MS"`
	MaxMS        float64        `json:"maxMS"`
	Refused      map[string]int `json:"refused"` // by code; each was sent again
	PeakMB       float64        `json:"peakMB"`
	Note         string         `json:"note,omitempty"`
}

func (r *result) refusals() string {
	if len(r.Refused) == 0 {
		return "0"
	}
	var parts []string
	for code, n := range r.Refused {
		parts = append(parts, fmt.Sprintf("%s:%d", code, n))
	}
	slices.Sort(parts)
	return strings.Join(parts, " ")
}

// requestPatience is how long one request may take.
const requestPatience = 2 * time.Minute

// newDriver registers the trucks.
func newDriver(ctx context.Context, t *target, o options, stderr io.Writer) (*driver, error) {
	c, err := client.New(t.server)
	if err != nil {
		return nil, err
	}
	head, err := c.Head(ctx)
	if err != nil {
		return nil, err
	}
	d := &driver{target: t, client: c, opts: o, stderr: stderr, before: head.Position, received: map[events.Source]uint64{},
		http: &http.Client{Timeout: requestPatience, Transport: &http.Transport{MaxIdleConnsPerHost: 4 * o.trucks}},
		run:  fmt.Sprintf("L%d", head.Position)}
	var list []events.Event
	for i := range o.trucks + backlogTrucks {
		list = append(list, events.Event{ID: fmt.Sprintf("%s-%d", d.run, i), Source: events.Source("/office/load-" + d.run), Seq: uint64(i + 1),
			Occurred: events.MustTime("2026-10-01T08:00:00.000+01:00"), Origin: events.FromOffice,
			Body: events.RegisterRevised{Key: string(d.truck(i)), EffectiveFrom: events.MustTime("2026-09-01T00:00:00.000+01:00"), Author: "load",
				Document: events.Truck{Name: "Driven", Registration: "261-TR-101", Carrier: "TARNMOOR", DebrisCapacityL: 8000, FreshCapacityL: 2000, TareKg: 14000, PermittedGrossKg: 26000}}})
	}
	msgs, err := ledger.MessagesOf(list)
	if err != nil {
		return nil, err
	}
	ticket, err := c.Submit(ctx, msgs)
	if err != nil {
		return nil, err
	}
	fates, err := c.Await(ctx, ticket)
	if err == nil && fates.Quarantined > 0 {
		err = fmt.Errorf("%d of the trucks could not be registered", fates.Quarantined)
	}
	return d, err
}

// backlogTrucks come after those that send fresh events, each with a backlog of its
// own profile.
const backlogTrucks = 8

func (d *driver) truck(i int) events.TruckID {
	return events.TruckID(fmt.Sprintf("%s-%02d", d.run, i))
}

// next makes the next n events of a truck. They count as received once took is
// called.
func (d *driver) next(truck int, n int, body func(at events.Time) events.Body) []ledger.Message {
	source := events.TruckSource(d.truck(truck))
	d.mu.Lock()
	first := d.received[source] + 1
	d.mu.Unlock()
	start := events.MustTime("2026-10-05T06:00:00.000+01:00")
	list := make([]events.Event, n)
	for i := range list {
		seq := first + uint64(i)
		at := events.Time{UnixMS: start.UnixMS + int64(seq), OffsetMinutes: 60}
		list[i] = events.Event{ID: idOf(source, seq), Source: source, Seq: seq, Occurred: at, Truck: d.truck(truck), Job: "J-101",
			Origin: events.FromController, Body: body(at)}
	}
	msgs, err := ledger.MessagesOf(list)
	if err != nil {
		panic(fmt.Sprintf("events that are made here can not be encoded: %v", err))
	}
	return msgs
}

func idOf(source events.Source, seq uint64) string {
	return strings.ReplaceAll(strings.TrimPrefix(string(source), "/"), "/", "-") + fmt.Sprintf("-%08d", seq)
}

// took notes that the broker has the next n events of a truck.
func (d *driver) took(truck, n int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.received[events.TruckSource(d.truck(truck))] += uint64(n)
	d.result.Events += n
}

func (d *driver) refused(code string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.result.Refused[code]++
}

// water is a small event, as most are.
func water(at events.Time) events.Body {
	return events.WaterUsed{Start: at, End: at, Purpose: events.ForWashing, Volume: events.Volume{VolumeML: 1000, Basis: events.Measured}}
}

// check is an event that is as long as an event may be.
func check(events.Time) events.Body {
	p := events.PrestartChecked{}
	for i := range 100 {
		p.Items = append(p.Items, events.CheckItem{Item: fmt.Sprintf("item %d", i), OK: true, Note: strings.Repeat("🛠", 400)})
	}
	return p
}

// padded fills an event up to the limit with spaces, which its canonical form does
// without.
func padded(msgs []ledger.Message) []ledger.Message {
	for i := range msgs {
		body := msgs[i].Body
		spaces := bytes.Repeat([]byte(" "), wire.MaxBytes-len(body))
		msgs[i].Body = append(append(slices.Clone(body[:1]), spaces...), body[1:]...)
	}
	return msgs
}

// hand sends events until the broker has them, however often they are refused, and
// returns their ticket.
func (d *driver) hand(ctx context.Context, truck int, msgs []ledger.Message) (ledger.Ticket, error) {
	var body bytes.Buffer
	for _, m := range msgs {
		body.Write(m.Body)
		body.WriteByte('\n')
	}
	for {
		t, code, err := d.post(ctx, body.Bytes())
		if err != nil {
			return t, err
		}
		if code == "" {
			d.took(truck, len(msgs))
			return t, nil
		}
		d.refused(code)
		if err := pause(ctx, 200*time.Millisecond); err != nil {
			return t, err
		}
	}
}

// post sends one request; code is that of a refusal.
func (d *driver) post(ctx context.Context, body []byte) (t ledger.Ticket, code string, err error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, d.target.server+"/v1/events?wait=0s", bytes.NewReader(body))
	if err != nil {
		return t, "", err
	}
	req.Header.Set("Content-Type", "application/x-ndjson")
	res, err := d.http.Do(req)
	if err != nil {
		return t, "", err
	}
	defer res.Body.Close()
	text, err := io.ReadAll(io.LimitReader(res.Body, 1<<20))
	if err != nil {
		return t, "", err
	}
	if res.StatusCode >= 300 {
		var problem struct{ Type string }
		if json.Unmarshal(text, &problem) != nil {
			return t, res.Status, nil
		}
		return t, strings.TrimPrefix(problem.Type, "urn:spoilbook:problem:"), nil
	}
	return t, "", json.Unmarshal(text, &t)
}

// timed sends one fresh event and notes how long it takes from received to recorded.
func (d *driver) timed(ctx context.Context, truck int) error {
	t, err := d.hand(ctx, truck, d.next(truck, 1, water))
	if err != nil {
		return err
	}
	received := time.Now()
	if _, err := d.client.Await(ctx, t); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fresh = append(d.fresh, time.Since(received))
	return nil
}

// measure runs a profile until all that it sent is recorded.
func (d *driver) measure(ctx context.Context, name string, p profile) (result, error) {
	d.target.forgetPeak()
	d.result, d.fresh = result{Name: name, Refused: map[string]int{}}, nil
	begun := time.Now()
	note, err := p(ctx, d)
	if err != nil {
		return d.result, err
	}
	sent := time.Since(begun)
	if err := d.drain(ctx); err != nil {
		return d.result, err
	}
	all := time.Since(begun)
	r := &d.result
	r.Note, r.Seconds, r.PeakMB = note, all.Seconds(), d.target.peakMB()
	r.ReceivedPerS, r.RecordedPerS = float64(r.Events)/sent.Seconds(), float64(r.Events)/all.Seconds()
	slices.Sort(d.fresh)
	r.Fresh = len(d.fresh)
	for _, q := range []struct {
		at *float64
		of float64
	}{{&r.P50MS, 0.5}, {&r.P95MS, 0.95}, {&r.P99MS, 0.99}, {&r.MaxMS, 1}} {
		if n := len(d.fresh); n > 0 {
			*q.at = float64(d.fresh[min(n-1, int(q.of*float64(n)))].Microseconds()) / 1000
		}
	}
	return *r, nil
}

// drain waits until a last event, sent after all others, is recorded.
func (d *driver) drain(ctx context.Context) error {
	t, err := d.hand(ctx, 0, d.next(0, 1, water))
	if err != nil {
		return err
	}
	_, err = d.client.Await(ctx, t)
	return err
}

// count reads the ledger and holds each event against what was received.
func (d *driver) count(ctx context.Context, s *summary) error {
	begun := time.Now()
	seen := map[events.Source][]bool{}
	for source, n := range d.received {
		seen[source] = make([]bool, n+1)
		s.Events += int(n)
	}
	for after := d.before; ; {
		page, err := d.client.Events(ctx, ledger.EventQuery{After: after, Limit: ledger.MaxPage})
		if err != nil {
			return fmt.Errorf("count: %w", err)
		}
		if len(page) == 0 {
			break
		}
		for i := range page {
			e := &page[i].Event
			numbers, ours := seen[e.Source]
			switch {
			case !ours:
			case e.Seq >= uint64(len(numbers)) || e.ID != idOf(e.Source, e.Seq):
				s.Foreign++
			case numbers[e.Seq]:
				s.Doubled++
			default:
				numbers[e.Seq] = true
				s.Recorded++
			}
		}
		after = page[len(page)-1].Position
	}
	s.Lost = s.Events - s.Recorded
	s.CountS = time.Since(begun).Seconds()
	return nil
}

func pause(ctx context.Context, t time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(t):
		return nil
	}
}

func names() []string {
	var out []string
	for name := range profiles() {
		out = append(out, name)
	}
	sort.Slice(out, func(i, j int) bool { return order(out[i]) < order(out[j]) })
	return out
}
