package sim

import (
	"context"
	"fmt"
	"time"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// desk is a place in the office. It submits through the real use cases and keeps
// each event until they say what became of it.
type desk struct {
	w       *world
	watch   *auditor
	broker  *broker
	db      *database
	l       *ledger.Ledger
	source  events.Source
	counter uint64
	outbox  []entry
	tickets []deskTicket
}

// deskTicket is what a desk waits for.
type deskTicket struct {
	ledger.Ticket
	events []uint64 // numbers submitted
}

func newDesk(w *world, watch *auditor, b *broker, db *database, name string) *desk {
	d := &desk{w: w, watch: watch, broker: b, db: db, source: events.OfficeSource(name)}
	d.l = ledger.New(ledger.Config{Publisher: b, Store: reader{db, nil}, Now: epoch})
	d.tick()
	return d
}

func (d *desk) tick() {
	d.w.after(d.w.between(10*time.Second, 3*time.Minute), func() {
		d.await()
		d.send()
		d.tick()
	})
}

// enter writes an event down, synced.
func (d *desk) enter(truck events.TruckID, job events.JobID, body events.Body) {
	d.counter++
	e := events.Event{ID: fmt.Sprintf("d-%d", d.counter), Source: d.source, Seq: d.counter, Truck: truck, Job: job,
		Occurred: events.TimeOf(epoch().Add(d.w.now)), Origin: events.FromOffice, Body: body}
	raw, c := spoken(&e, false)
	c.accepted = true
	d.outbox = append(d.outbox, entry{seq: d.counter, raw: raw, claim: d.watch.said(raw, c), synced: true})
	d.send()
}

// register enters a truck of the register.
func (d *desk) register(id events.TruckID) {
	d.enter("", "", events.RegisterRevised{Key: string(id), EffectiveFrom: events.MustTime("2026-09-01T00:00:00.000+01:00"), Author: "Yard office",
		Document: events.Truck{Name: string(id), Registration: "261-TR-101", Carrier: "TARNMOOR", DebrisCapacityL: 8000, FreshCapacityL: 2000,
			TareKg: 14000, PermittedGrossKg: 26000}})
}

// send submits what is due.
func (d *desk) send() {
	var msgs []ledger.Message
	var seqs []uint64
	for i := range d.outbox {
		if e := &d.outbox[i]; e.due <= d.w.now {
			e.due = d.w.now + resend
			msgs, seqs = append(msgs, ledger.MessageOf([]byte(e.raw))), append(seqs, e.seq)
		}
	}
	if len(msgs) == 0 {
		return
	}
	t, err := d.l.Submit(context.Background(), msgs)
	if err != nil {
		d.w.log("desk", "not submitted: %v", err)
		for i := range d.outbox {
			d.outbox[i].due = d.w.now // again with the next tick
		}
		return
	}
	d.tickets = append(d.tickets, deskTicket{t, seqs})
}

// await asks what became of what was submitted, and forgets what has a fate.
func (d *desk) await() {
	kept := d.tickets[:0]
	for _, t := range d.tickets {
		if d.pending(t) {
			kept = append(kept, t)
		}
	}
	d.tickets = kept
}

// pending asks for one ticket. It asks only when the answer is there: waiting
// would be by the machine's clock.
func (d *desk) pending(t deskTicket) bool {
	handled := d.db.handled(t.Stream) >= t.Last
	if !d.db.up || !d.broker.up || !handled && d.broker.stream() == t.Stream {
		return true
	}
	f, err := d.l.Await(context.Background(), t.Ticket)
	switch {
	case ledger.CodeOf(err) == ledger.NotFound: // the stream is gone: submit again
		for i := range d.outbox {
			d.outbox[i].due = 0
		}
		return false
	case err != nil:
		return true
	}
	if n := uint64(t.Count); f.Recorded+f.Quarantined > n || f.Recorded+f.Quarantined+f.Duplicates != n {
		d.watch.broken("the fates of %d messages from %d are %d recorded, %d duplicates, %d quarantined", n, t.First, f.Recorded, f.Duplicates, f.Quarantined)
	}
	have := map[uint64]bool{}
	for _, seq := range t.events {
		have[seq] = true
	}
	left := d.outbox[:0]
	for _, e := range d.outbox {
		if !have[e.seq] {
			left = append(left, e)
		}
	}
	d.outbox = left
	return false
}
