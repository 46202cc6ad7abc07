package intake_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/events/wire"
	"spoilbook/services/broker"
	"spoilbook/services/engine"
	"spoilbook/services/intake"
	"spoilbook/services/ledger"
	"spoilbook/services/rigtest"
	"spoilbook/services/store"
)

// rig is a real broker and a real engine, with a store whose requests can be cut.
type rig struct {
	t      testing.TB
	engine *engine.Engine
	broker *broker.Broker
	stream string
}

func newRig(t testing.TB) *rig {
	t.Helper()
	library, err := engine.Fetch(t.Context(), engine.FetchOptions{})
	if err != nil {
		t.Fatal(err)
	}
	e, err := engine.Open(t.Context(), engine.Options{Dir: t.TempDir(), Library: library})
	if err != nil {
		t.Fatal(err)
	}
	b, err := broker.Open(t.Context(), broker.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(errors.Join(err, e.Close()))
	}
	t.Cleanup(func() {
		if err := errors.Join(b.Close(context.Background()), e.Close()); err != nil {
			t.Error(err)
		}
	})
	state, err := b.StreamState(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return &rig{t, e, b, fmt.Sprintf("%s@%d", state.Name, state.Created.UnixMilli())}
}

func (r *rig) store(transport http.RoundTripper) *store.Store {
	r.t.Helper()
	s, err := store.Open(r.t.Context(), store.Options{Transport: transport})
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() {
		if err := s.Close(); err != nil {
			r.t.Error(err)
		}
	})
	return s
}

func (r *rig) publish(bodies [][]byte) {
	r.t.Helper()
	var msgs []broker.Message
	for _, b := range bodies {
		m := ledger.MessageOf(b)
		msgs = append(msgs, broker.Message{Subject: m.Subject, Body: m.Body})
	}
	if _, err := r.broker.Publish(r.t.Context(), msgs); err != nil {
		r.t.Fatal(err)
	}
}

// run runs an intake on s until everything up to last is handled, or ctx ends.
func (r *rig) run(ctx context.Context, s *store.Store, last uint64) error {
	return r.runIn(ctx, s, last, 64)
}

// runIn is run with blocks of at most batch messages.
func (r *rig) runIn(ctx context.Context, s *store.Store, last uint64, batch int) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	in, err := intake.New(ctx, intake.Config{Store: s, Receipts: r.broker, Stream: r.stream, Batch: batch, Observe: func(p intake.Progress) {
		if p.StreamSeq >= last {
			cancel()
		}
	}})
	if err != nil {
		return err
	}
	if in.Handled() >= last {
		return nil
	}
	c, err := r.broker.Consume(ctx, broker.ConsumeOptions{From: in.Handled() + 1})
	if err != nil {
		return err
	}
	return in.Run(ctx, rigtest.Feed{Consumer: c})
}

func encode(t testing.TB, e events.Event) []byte {
	t.Helper()
	b, err := wire.Encode(&e)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func truckRevision(t testing.TB, seq uint64, key string) []byte {
	return encode(t, events.Event{ID: fmt.Sprintf("r-%d", seq), Source: "/office/register", Seq: seq,
		Occurred: events.MustTime("2026-10-01T08:00:00.000+01:00"), Origin: events.FromOffice,
		Body: events.RegisterRevised{Key: key, EffectiveFrom: events.MustTime("2026-09-01T00:00:00.000+01:00"), Author: "Yard office",
			Document: events.Truck{Name: "Heron", Registration: "261-TR-101", Carrier: "TARNMOOR", DebrisCapacityL: 8000, FreshCapacityL: 2000, TareKg: 14000, PermittedGrossKg: 26000}}})
}

func siteArrival(t testing.TB, truck events.TruckID, seq uint64, job events.JobID) []byte {
	return encode(t, events.Event{ID: fmt.Sprintf("%s-%d", truck, seq), Source: events.TruckSource(truck), Seq: seq, Truck: truck, Job: job,
		Occurred: events.Time{UnixMS: 1_791_000_000_000 + int64(seq)*1000, OffsetMinutes: 60}, Origin: events.FromController, Body: events.SiteArrived{}})
}

func stopPressed(t testing.TB, truck events.TruckID, at string) []byte {
	return encode(t, events.Event{ID: "stop-1", Source: events.TruckSource(truck), Seq: 1, Truck: truck,
		Occurred: events.MustTime(at), Origin: events.FromController, Body: events.EmergencyStopPressed{Station: events.StationRear}})
}

// Each message of this list meets a known fate; together they meet all of them.
func TestFates(t *testing.T) {
	r := newRig(t)
	farAhead := time.Now().AddDate(0, 0, 3).UTC().Format("2006-01-02T15:04:05.000Z")
	ahead := strings.Replace(string(siteArrival(t, "TM-01", 9, "J-1")), `"time":"2026-`, `"time":"`+farAhead[:4]+`-`, 1)
	ahead = ahead[:strings.Index(ahead, `"time":"`)+8] + farAhead + ahead[strings.Index(ahead, `","type"`):]
	bodies := [][]byte{
		truckRevision(t, 1, "TM-01"),
		siteArrival(t, "TM-01", 1, "J-1"),
		siteArrival(t, "TM-01", 1, "J-1"), // again: a duplicate
		siteArrival(t, "TM-01", 1, "J-2"), // same id, other body
		[]byte(strings.Replace(string(siteArrival(t, "TM-01", 1, "J-1")), `"id":"TM-01-1"`, `"id":"other"`, 1)), // number taken
		siteArrival(t, "TM-09", 1, "J-1"),                        // no such truck
		stopPressed(t, "TM-09", "2026-10-05T08:00:00.000+01:00"), // a stop is recorded all the same
		[]byte(`{"specversion":`),
		[]byte(`{"specversion":`), // the quarantine has these bytes
		[]byte(ahead),
		siteArrival(t, "TM-01", 2, "J-1"),
	}
	r.publish(bodies)
	s := r.store(r.engine.Transport())
	if err := r.run(t.Context(), s, uint64(len(bodies))); err != nil {
		t.Fatal(err)
	}
	f, err := s.Fates(t.Context(), r.stream, 1, uint64(len(bodies)))
	if err != nil || f.Recorded != 4 || f.Duplicates != 2 || f.Quarantined != 5 {
		t.Fatalf("fates %+v, %v; want 4 recorded, 2 duplicates, 5 quarantined", f, err)
	}
	held, err := s.Quarantine(t.Context(), ledger.QuarantineQuery{Limit: 10})
	if err != nil {
		t.Fatal(err)
	}
	got := []string{}
	for _, q := range held {
		got = append(got, fmt.Sprintf("%d %s", q.StreamSeq, q.Code))
	}
	want := "4 same-id-other-body|5 number-taken|6 unknown-truck|8 invalid|10 clock-far-ahead"
	if strings.Join(got, "|") != want {
		t.Errorf("quarantine %q, want %q", got, want)
	}
	found, err := s.Find(t.Context(), ledger.EventQuery{Limit: 10})
	if err != nil || len(found) != 4 || found[1].ID != "TM-01-1" || found[2].Kind != events.KindEmergencyStopPressed || found[3].Seq != 2 {
		t.Errorf("recorded %+v, %v", found, err)
	}
}

func TestReceiptsSayWhatIsRecorded(t *testing.T) {
	r := newRig(t)
	r.publish([][]byte{truckRevision(t, 1, "TM-01"), siteArrival(t, "TM-01", 1, "J-1"), siteArrival(t, "TM-01", 2, "J-1"), siteArrival(t, "TM-01", 4, "J-1")})
	s := r.store(r.engine.Transport())
	if err := r.run(t.Context(), s, 4); err != nil {
		t.Fatal(err)
	}
	got := make(chan []byte, 10)
	stop, err := r.broker.Receipts(t.Context(), broker.ReceiptOptions{Source: "truck.TM-01"}, func(rc broker.Receipt) { got <- rc.Body })
	if err != nil {
		t.Fatal(err)
	}
	defer stop()
	var receipt struct {
		Source          string
		RecordedThrough uint64
		Highest         uint64
		Position        uint64
		Missing         []struct{ From, To uint64 }
	}
	if err := json.Unmarshal(<-got, &receipt); err != nil {
		t.Fatal(err)
	}
	if receipt.Source != "/truck/TM-01" || receipt.RecordedThrough != 2 || receipt.Highest != 4 || receipt.Position != 4 {
		t.Errorf("receipt %+v: 1, 2 and 4 came, so all is recorded through 2", receipt)
	}
	if len(receipt.Missing) != 1 || receipt.Missing[0].From != 3 || receipt.Missing[0].To != 4 {
		t.Errorf("receipt names %v as missing; only 3 is", receipt.Missing)
	}
}

// cutter lets n inserts through and then fails everything, after carrying the
// last insert out or instead of it.
type cutter struct {
	next     http.RoundTripper
	left     atomic.Int64
	carryOut bool
	cut      func()
}

var errCut = errors.New("cut by the test")

func (c *cutter) RoundTrip(req *http.Request) (*http.Response, error) {
	insert := strings.HasPrefix(req.URL.Query().Get("query"), "INSERT")
	if c.left.Load() < 0 {
		return nil, errCut
	}
	if !insert || c.left.Add(-1) >= 0 {
		return c.next.RoundTrip(req)
	}
	defer c.cut()
	if c.carryOut {
		res, err := c.next.RoundTrip(req)
		if err != nil {
			return nil, err
		}
		return nil, errors.Join(errCut, res.Body.Close()) // stored, but nobody hears of it
	}
	return nil, errCut
}

// mixed is a month in small: three trucks, repeats, conflicts and rubbish.
func mixed(t testing.TB) [][]byte {
	bodies := [][]byte{truckRevision(t, 1, "TM-01"), truckRevision(t, 2, "TM-02"), truckRevision(t, 3, "TM-03")}
	for seq := uint64(1); seq <= 60; seq++ {
		for _, truck := range []events.TruckID{"TM-01", "TM-02", "TM-03"} {
			bodies = append(bodies, siteArrival(t, truck, seq, "J-1"))
		}
		switch seq % 10 {
		case 3:
			bodies = append(bodies, siteArrival(t, "TM-02", seq, "J-1"))
		case 5:
			bodies = append(bodies, siteArrival(t, "TM-01", seq, "J-7"))
		case 7:
			bodies = append(bodies, fmt.Appendf(nil, `{"rubbish":%d`, seq))
		}
	}
	return bodies
}

// Wherever the way from the broker to the store is cut, before an insert or after
// it, another run ends with what an undisturbed run ends with: the same events at
// the same positions, hence the same Merkle root, and the same fates.
func TestCutAnywhereLosesAndDoublesNothing(t *testing.T) {
	bodies := mixed(t)
	last := uint64(len(bodies))
	outcome := func(r *rig) string {
		s := r.store(r.engine.Transport())
		if err := r.run(t.Context(), s, last); err != nil {
			t.Fatal(err)
		}
		head, err := s.Head(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		f, err := s.Fates(t.Context(), r.stream, 1, last)
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprintf("position %d root %x recorded %d duplicates %d quarantined %d", head.Position, head.Root, f.Recorded, f.Duplicates, f.Quarantined)
	}
	reference := newRig(t)
	reference.publish(bodies)
	want := outcome(reference)
	if err := reference.engine.Close(); err != nil { // one engine a process
		t.Fatal(err)
	}
	for _, carryOut := range []bool{false, true} {
		for n := range int64(10) {
			t.Run(fmt.Sprintf("insert %d, carried out %v", n+1, carryOut), func(t *testing.T) {
				r := newRig(t)
				r.publish(bodies)
				ctx, cancel := context.WithCancel(t.Context())
				c := &cutter{next: r.engine.Transport(), carryOut: carryOut, cut: cancel}
				c.left.Store(1 << 40)
				s := r.store(c) // the schema's own inserts are not counted
				c.left.Store(n)
				if err := r.run(ctx, s, last); err != nil && !errors.Is(err, errCut) && ctx.Err() == nil {
					t.Fatal(err)
				}
				if got := outcome(r); got != want {
					t.Errorf("after the cut\n got %s\nwant %s", got, want)
				}
				if err := r.engine.Close(); err != nil {
					t.Fatal(err)
				}
			})
		}
	}
}

// A store made anew from the same stream has the same root, whatever the blocks and
// however the numbers of a source were mixed up on the way.
func TestAStoreMadeAnewHasTheSameRoot(t *testing.T) {
	bodies := mixed(t)
	for i := 10; i+7 < len(bodies); i += 9 {
		bodies[i], bodies[i+6] = bodies[i+6], bodies[i]
	}
	roots := map[[32]byte]uint64{}
	for _, batch := range []int{5, 64, 4096} {
		r := newRig(t)
		r.publish(bodies)
		s := r.store(r.engine.Transport())
		if err := r.runIn(t.Context(), s, uint64(len(bodies)), batch); err != nil {
			t.Fatal(err)
		}
		head, err := s.Head(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		roots[head.Root] = head.Position
		if err := r.engine.Close(); err != nil { // one engine a process
			t.Fatal(err)
		}
	}
	if len(roots) != 1 {
		t.Errorf("blocks of different sizes gave different roots: %x", roots)
	}
}
