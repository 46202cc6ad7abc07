package sim

import (
	"encoding/json"
	"fmt"
	"time"

	"spoilbook/events"
	"spoilbook/events/wire"
	"spoilbook/services/ledger"
)

const (
	window  = 200              // events on their way at once
	parcel  = 20               // events in a message batch
	resend  = 15 * time.Minute // without a receipt; twice as long after each try
	rarest  = 8 * time.Hour    // between two tries
	fsyncIn = 500 * time.Millisecond
)

// entry is an event in an outbox.
type entry struct {
	seq    uint64
	raw    string
	claim  *claim
	synced bool
	acked  bool          // the broker has it
	due    time.Duration // when to send it, again or at all
	tries  int
}

// truck counts its events, keeps each in its outbox until a receipt says that all
// up to its number are recorded, and sends only what is synced there. A crash
// takes what is not synced.
type truck struct {
	w       *world
	p       *profile
	flaws   *flaws
	watch   *auditor
	broker  *broker
	link    *link
	id      events.TruckID
	source  events.Source
	subject string
	up      bool
	full    bool
	skew    time.Duration
	counter uint64
	outbox  []entry
	silent  bool
}

func newTruck(w *world, p *profile, f *flaws, watch *auditor, b *broker, id events.TruckID) *truck {
	t := &truck{w: w, p: p, flaws: f, watch: watch, broker: b, id: id, source: events.TruckSource(id), subject: "truck." + string(id), up: true}
	t.link = newLink(w, p, string(id))
	t.link.onBack = func() {
		if last := b.last[t.subject]; last != nil {
			t.take(last)
		}
		t.send()
	}
	t.skew = w.between(-2*time.Minute, 2*time.Minute)
	w.scheduled(p.crash, t.crash)
	w.scheduled(p.jump, func() {
		w.count("clock-jump-truck")
		t.skew = w.between(-72*time.Hour, 72*time.Hour)
		w.log(string(id), "clock jumps to %v off", t.skew.Round(time.Second))
		w.after(w.about(4*time.Hour), func() { t.skew = w.between(-time.Minute, time.Minute) })
	})
	w.scheduled(p.diskFul, func() {
		w.count("disk-full-truck")
		t.full = true
		w.after(w.about(time.Hour), func() { t.full = false })
	})
	t.tick()
	return t
}

// work makes an event every now and then until the world is calm.
func (t *truck) work() {
	t.w.after(t.w.about(t.p.every), func() {
		if !t.w.calm {
			t.make()
			t.work()
		}
	})
}

// tick sends again what has waited too long.
func (t *truck) tick() {
	t.w.after(t.w.between(time.Minute, 5*time.Minute), func() {
		t.send()
		t.tick()
	})
}

// make writes an event to the outbox; it is accepted once that is synced.
func (t *truck) make() {
	if !t.up || t.full {
		return // nothing is accepted: the crew sees a fault on the panel
	}
	t.counter++
	at := epoch().Add(t.w.now + t.skew)
	e := events.Event{ID: fmt.Sprintf("%s-%06d", t.id, t.counter), Source: t.source, Seq: t.counter, Truck: t.id, Job: "J-101",
		Occurred: events.TimeOf(at), Origin: events.FromController, Body: events.SiteArrived{}}
	switch t.w.rng.IntN(20) {
	case 0:
		e.Body = events.EmergencyStopPressed{Station: events.StationRear}
	case 1:
		e.Body = events.EmergencyStopReset{Note: fmt.Sprint("after ", t.counter)}
	case 2, 3, 4, 5:
		e.Body = events.SiteLeft{}
	}
	raw, c := spoken(&e, t.w.chance(0.1))
	t.outbox = append(t.outbox, entry{seq: t.counter, raw: raw, claim: c})
	torn := t.w.fault("crash-truck-before-sync", t.p.torn)
	t.w.after(t.w.between(time.Millisecond, fsyncIn), func() {
		if torn {
			t.crash()
		}
		t.sync()
	})
}

// spoken encodes an event, with spaces that mean nothing when loose, and says what
// it is to those who judge it.
func spoken(e *events.Event, loose bool) (raw string, c *claim) {
	canonical, err := wire.Encode(e)
	if err != nil {
		panic(err) // only events of this package's making come here
	}
	raw = string(canonical)
	if loose {
		raw = "{ " + raw[1:]
	}
	c = &claim{identity: identity{e.Source, e.ID}, seq: e.Seq, truck: e.Truck, canonical: string(canonical),
		occurred: e.Occurred.UnixMS, stop: e.Kind() == events.KindEmergencyStopPressed}
	if subject, err := ledger.SubjectOf(e.Source); err == nil {
		c.subject = subject
	}
	if r, ok := e.Body.(events.RegisterRevised); ok {
		c.registers = events.TruckID(r.Key)
	}
	return raw, c
}

// sync is the outbox's fsync point.
func (t *truck) sync() {
	if !t.up {
		return
	}
	for i := range t.outbox {
		if e := &t.outbox[i]; !e.synced {
			e.synced, e.claim = true, t.watch.said(e.raw, e.claim)
			e.claim.accepted = true
		}
	}
	t.send()
}

// crash takes what is not synced; the truck starts again later.
func (t *truck) crash() {
	if !t.up {
		return
	}
	t.up = false
	t.w.count("crash-truck")
	kept := t.outbox[:0]
	for _, e := range t.outbox {
		if e.synced {
			e.acked, e.due = false, 0 // known in memory only
			kept = append(kept, e)
			continue
		}
		t.w.count("torn-write-truck")
		t.counter = min(t.counter, e.seq-1) // the next event counts from what is on the disk
	}
	t.outbox = kept
	t.w.log(string(t.id), "crashes with %d events in its outbox", len(t.outbox))
	t.w.after(t.w.about(10*time.Minute), t.start)
}

func (t *truck) start() {
	if !t.up {
		t.up = true
		t.send()
	}
}

// send publishes what is due, in parcels that may overtake each other.
func (t *truck) send() {
	if !t.up || t.link.offline || t.silent {
		return
	}
	var batch []uint64
	var msgs []ledger.Message
	under := 0 // on their way
	for i := range t.outbox {
		e := &t.outbox[i]
		if !e.acked {
			under++
		}
		if !e.synced || e.due > t.w.now || under > window {
			continue
		}
		e.due = t.w.now + min(resend<<min(e.tries, 8), rarest)
		e.tries++
		batch, msgs = append(batch, e.seq), append(msgs, ledger.Message{Subject: t.subject, Body: []byte(e.raw)})
		if t.w.fault("other-body", t.p.otherBody) {
			t.garble(e.claim)
		}
		if len(batch) == parcel {
			t.post(batch, msgs)
			batch, msgs = nil, nil
		}
	}
	if len(batch) > 0 {
		t.post(batch, msgs)
	}
}

func (t *truck) post(batch []uint64, msgs []ledger.Message) {
	t.link.carry(func() {
		err := t.broker.publish(msgs, func() {
			t.link.carry(func() { t.acked(batch) })
		})
		if err != nil {
			t.w.log(string(t.id), "not taken: %v", err)
		}
	})
}

// acked notes that the broker has some events.
func (t *truck) acked(batch []uint64) {
	if !t.up {
		return
	}
	have := map[uint64]bool{}
	for _, seq := range batch {
		have[seq] = true
	}
	for i := range t.outbox {
		if e := &t.outbox[i]; have[e.seq] {
			e.acked = true
		}
	}
	if t.flaws.forgetAcked {
		t.forget(func(e *entry) bool { return e.acked })
	}
}

// take reads a receipt: what it covers and the broker has acknowledged can be
// forgotten. Receipts come late and out of order; what is recorded stays so.
func (t *truck) take(body []byte) {
	var r receiptNote
	if !t.up || json.Unmarshal(body, &r) != nil {
		return
	}
	t.forget(func(e *entry) bool { return e.acked && r.has(e.seq) })
}

func (t *truck) forget(gone func(*entry) bool) {
	kept := t.outbox[:0]
	for _, e := range t.outbox {
		if !gone(&e) {
			kept = append(kept, e)
		}
	}
	t.outbox = kept
}

// garble publishes an event of the truck once more with other content, as a
// controller with a fault in its program would.
func (t *truck) garble(c *claim) {
	e, err := wire.Decode([]byte(c.canonical))
	if err != nil {
		return
	}
	e.Job = "J-999"
	if t.w.chance(0.4) {
		e.ID += "b" // the same number under another id
	}
	raw, twin := spoken(&e, false)
	t.watch.said(raw, twin)
	msgs := []ledger.Message{{Subject: t.subject, Body: []byte(raw)}}
	t.link.carry(func() {
		if err := t.broker.publish(msgs, func() {}); err != nil {
			t.w.log(string(t.id), "not taken: %v", err)
		}
	})
}
