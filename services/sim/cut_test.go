package sim

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/services/intake"
	"spoilbook/services/ledger"
)

// bench is a broker and a store in which nothing goes wrong by itself, with a
// stream in which each message meets another fate.
type bench struct {
	w     *world
	b     *broker
	db    *database
	watch *auditor
}

func newBench(t *testing.T) *bench {
	t.Helper()
	w := newWorld(1)
	w.calm = true
	k := &bench{w: w, watch: newAuditor(w), b: newBroker(w, &profile{}, &flaws{})}
	k.b.onSync = func() {}
	k.watch.b = k.b
	k.db = newDatabase(w, &profile{}, k.watch)
	arrival := func(truck events.TruckID, seq uint64, job events.JobID) string {
		raw, c := spoken(&events.Event{ID: fmt.Sprintf("%s-%d", truck, seq), Source: events.TruckSource(truck), Seq: seq, Truck: truck, Job: job,
			Occurred: events.TimeOf(epoch()), Origin: events.FromController, Body: events.SiteArrived{}}, false)
		k.watch.said(raw, c)
		return raw
	}
	revision := func(seq uint64, truck string) string {
		raw, c := spoken(&events.Event{ID: fmt.Sprint("r-", seq), Source: "/office/register", Seq: seq, Occurred: events.TimeOf(epoch()), Origin: events.FromOffice,
			Body: events.RegisterRevised{Key: truck, EffectiveFrom: events.TimeOf(epoch()), Author: "Yard office", Document: events.Truck{Name: truck,
				Registration: "261-TR-101", Carrier: "TARNMOOR", DebrisCapacityL: 8000, FreshCapacityL: 2000, TareKg: 14000, PermittedGrossKg: 26000}}}, false)
		k.watch.said(raw, c)
		return raw
	}
	rubbish := `{"specversion":`
	k.watch.said(rubbish, &claim{subject: "office.unreadable"})
	var msgs []ledger.Message
	for _, raw := range []string{
		revision(1, "TM-01"),
		arrival("TM-01", 1, "J-1"),
		arrival("TM-09", 4, "J-1"), // not registered yet
		arrival("TM-01", 1, "J-1"), // again
		arrival("TM-01", 1, "J-2"), // other body
		rubbish,
		arrival("TM-09", 4, "J-1"), // held already
		revision(2, "TM-09"),
		arrival("TM-09", 1, "J-1"), // registered by now
		arrival("TM-09", 3, "J-1"),
		rubbish,
		arrival("TM-09", 2, "J-1"),
	} {
		msgs = append(msgs, ledger.MessageOf([]byte(raw)))
	}
	if _, err := k.b.Publish(t.Context(), msgs); err != nil {
		t.Fatal(err)
	}
	return k
}

// live runs one life of the intake until it dies or has handled everything. Its
// first batch has at most first messages; back begins it once more from the first
// message of the stream after that.
func (k *bench) live(first int, back bool, dieAt int) error {
	life := &process{w: k.w, onDeath: func() {}}
	if dieAt > 0 {
		life.crashAt = &dieAt
	}
	k.w.calm = dieAt == 0 // a calm world has no deaths
	ctx := context.Background()
	in, err := intake.New(ctx, intake.Config{Store: &client{reader{k.db, life}, k.db, life}, Stream: k.b.stream(), Now: epoch,
		Pause: func(context.Context, time.Duration) error { return errKilled }})
	if err != nil {
		return err
	}
	s, err := k.b.consume(in.Handled() + 1)
	if err != nil {
		return err
	}
	for s.pending() > 0 {
		from := int(s.next - 1)
		ds := k.b.log()[from:min(from+first, k.b.synced)]
		s.next += uint64(len(ds))
		if err := in.Step(ctx, s, ds); err != nil {
			return err
		}
		if first = 100; back {
			s.next, back = 1, false
		}
	}
	return nil
}

// outcome says what the store holds.
func (k *bench) outcome() string {
	var b strings.Builder
	for _, e := range k.db.sorted() {
		fmt.Fprintf(&b, "%d %s from %d|", e.Position, e.ID, e.StreamSeq)
	}
	for _, q := range k.db.quarantine {
		fmt.Fprintf(&b, "entry %d from %d %s|", q.Entry, q.StreamSeq, q.Code)
	}
	return b.String()
}

// Wherever the intake dies, however long the next one's first batch is, and even
// when messages come again after their fate is stored, each message keeps the fate
// it has in an undisturbed run.
func TestNoCutChangesAFate(t *testing.T) {
	k := newBench(t)
	if err := k.live(100, false, 0); err != nil {
		t.Fatal(err)
	}
	want := k.outcome()
	const fates = "1 r-1 from 1|2 TM-01-1 from 2|3 r-2 from 8|4 TM-09-1 from 9|5 TM-09-3 from 10|6 TM-09-2 from 12|" +
		"entry 1 from 3 unknown-truck|entry 2 from 5 same-id-other-body|entry 3 from 6 invalid|"
	if want != fates {
		t.Fatalf("undisturbed\n got %s\nwant %s", want, fates)
	}
	cuts := 0
	for dieAt := 1; ; dieAt++ {
		died := false
		for again := 1; again <= 12; again++ {
			for _, back := range []bool{false, true} {
				k := newBench(t)
				died = k.live(100, false, dieAt) != nil
				if err := k.live(again, back, 0); err != nil {
					t.Fatalf("death at step %d, then a batch of %d: %v", dieAt, again, err)
				}
				if got := k.outcome(); got != want || k.watch.violations > 0 {
					t.Fatalf("death at step %d, then a batch of %d, once more from the start %v: %s\n got %s\nwant %s", dieAt, again, back, k.watch.first, got, want)
				}
				cuts++
			}
		}
		if !died {
			break
		}
	}
	if cuts < 500 {
		t.Errorf("only %d cuts were tried", cuts)
	}
}

// A bit flipped in the state from which the Merkle tree goes on is found before
// anything is built on it.
func TestADamagedTreeIsFoundAtStart(t *testing.T) {
	for bit := range 8 * 32 {
		k := newBench(t)
		if err := k.live(100, false, 0); err != nil {
			t.Fatal(err)
		}
		frontier := k.db.lastBlock().frontier
		frontier[bit/8] ^= 1 << (bit % 8)
		if err := k.live(100, false, 0); ledger.CodeOf(err) != ledger.Damaged {
			t.Fatalf("bit %d of the tree's state: %v, not damage", bit, err)
		}
	}
}
