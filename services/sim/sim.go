// Package sim runs the ledger's intake for simulated days among everything that
// can go wrong, and judges with an auditor of its own whether a promise broke. A
// run is decided by its seed alone: the same seed gives the same trace for ever.
//
// Real are the intake, the use cases that desks submit through and the rebuilding
// check. Simulated, behind the small interfaces that these ask for, are trucks
// with an outbox each, desks, links, a broker, a store's server, clocks, and the
// process that the intake runs in. Time is virtual: days take milliseconds. Each
// seed has some kinds of faults often, some rarely and some never; after the days
// are over all faults end, and once everything is quiet
//
//   - every event that was accepted (synced where it was made) is recorded once,
//     or stands in quarantine with a reason that is true,
//   - positions were given densely from 1, each for ever to the same bytes, and
//     the Merkle root after each block is that of the bytes recorded,
//   - no receipt and no acknowledgement promised more than was on the disk, and
//     the last receipt of each source names what is missing,
//   - a second store made from the same stream has the same positions,
//   - a flipped bit in the events or roots is found by reading everything again,
//   - a tail cut off the broker's stream is found by the next start, also where
//     other messages have taken its place,
//   - a quarantined message that somebody released is recorded or held again.
//
// For example Run(7, Options{}) simulates three days; when its Result says that a
// promise broke, Run(7, Options{}) shows it again, line by line.
package sim

import (
	"context"
	"fmt"
	"time"

	"spoilbook/events"
	"spoilbook/services/intake"
	"spoilbook/services/ledger"
)

// Options say what to simulate. The zero value is three days with two to five
// trucks, as the seed has it.
type Options struct {
	Days   int // of work and faults; 0 means 3
	Trucks int // 0 means 2 to 5 by seed

	// The Wraps stand between the intake and what is simulated, to see whether the
	// auditor finds a fault that they introduce. Nil for none.
	WrapStore    func(intake.Store) intake.Store
	WrapFeed     func(intake.Feed) intake.Feed
	WrapReceipts func(intake.Receipts) intake.Receipts

	flaws   flaws
	faults  *profile // instead of what the seed draws
	crashAt int      // the step at which the intake dies for certain; 0 for never
}

// flaws are faults built into the simulated parts, to see whether the auditor
// finds what follows from them.
type flaws struct {
	ackUnsynced     bool // the broker acknowledges before it has synced
	forgetAcked     bool // trucks forget what the broker has acknowledged
	noPositionCheck bool // the store takes a position twice
	rewrite         bool // the store changes an event's bytes and hash later
	forgetsAtCrash  bool // the store's server answers before it has synced
}

// Result is what became of one run.
type Result struct {
	Seed        uint64         `json:"seed"`
	Days        int            `json:"days"`
	Hours       int            `json:"hours"`  // simulated, with the quiet ones at the end
	Events      int            `json:"events"` // accepted
	Messages    int            `json:"messages"`
	Recorded    int            `json:"recorded"`
	Quarantined int            `json:"quarantined"`
	Blocks      int            `json:"blocks"`
	Faults      map[string]int `json:"faults"`     // by kind
	Lost        int            `json:"lost"`       // accepted, and neither recorded nor quarantined
	Doubled     int            `json:"doubled"`    // events or positions that count twice
	Undetected  int            `json:"undetected"` // flipped bits that were not found
	Violations  int            `json:"violations"` // of any promise, the above among them
	First       string         `json:"first,omitempty"`
	Tail        []string       `json:"tail,omitempty"` // the trace up to the first violation
	TraceHash   string         `json:"traceHash"`      // SHA-256 of the whole trace, hex
}

// Broke reports whether a promise broke.
func (r Result) Broke() bool { return r.Violations > 0 }

// Command returns the command that shows the run again.
func (r Result) Command() string {
	return fmt.Sprintf("spoilbook simulate --seed %d --runs 1 --days %d", r.Seed, r.Days)
}

// scene is all that is simulated.
type scene struct {
	w      *world
	p      *profile
	watch  *auditor
	broker *broker
	db     *database
	hub    *hub
	trucks []*truck
	desks  []*desk

	settling bool // a message of the quarantine is being settled
}

// Run simulates one seed. It takes about a millisecond for two simulated hours.
func Run(seed uint64, o Options) Result {
	if o.Days <= 0 {
		o.Days = 3
	}
	s := newScene(newWorld(seed), &o)
	s.w.runFor(time.Duration(o.Days)*24*time.Hour, always)
	s.quieten()
	if o.flaws.rewrite {
		s.rewrite()
	}
	s.watch.verdict(&s.db.tables)
	s.replay()
	flipped := s.damage()
	cut := s.cutTail()
	s.w.log("end", "%d events, %d entries, %d blocks", len(s.db.events), len(s.db.quarantine), len(s.db.blocks))
	r := Result{Seed: seed, Days: o.Days, Hours: int(s.w.now / time.Hour), Recorded: len(s.db.events), Quarantined: len(s.db.quarantine),
		Blocks: len(s.db.blocks), Faults: s.w.faults, Lost: s.watch.lost, Doubled: s.watch.doubled, Undetected: s.watch.undetected,
		Violations: s.watch.violations, First: s.watch.first, Tail: s.watch.tail, TraceHash: s.w.trace.hash()}
	r.Faults["flipped-bit"], r.Faults["tail-cut-off-broker"] = flipped, cut
	for _, log := range s.broker.logs {
		r.Messages += len(log)
	}
	for _, c := range s.watch.claims {
		if c.accepted {
			r.Events++
		}
	}
	return r
}

func newScene(w *world, o *Options) *scene {
	p := drawProfile(w, *o)
	if o.faults != nil {
		p = *o.faults
	}
	s := &scene{w: w, p: &p, watch: newAuditor(w)}
	w.log("world", "%+v", p)
	s.broker = newBroker(w, s.p, &o.flaws)
	s.watch.b = s.broker
	s.db = newDatabase(w, s.p, s.watch)
	s.db.flaws = o.flaws
	s.hub = newHub(w, s.p, o, s.broker, s.db, s.watch)
	s.hub.deliver = s.deliver
	register := newDesk(w, s.watch, s.broker, s.db, "register")
	s.desks = []*desk{register, newDesk(w, s.watch, s.broker, s.db, "yard")}
	hire := func() *truck {
		id := events.TruckID(fmt.Sprintf("TM-%02d", len(s.trucks)+1))
		t := newTruck(w, s.p, &o.flaws, s.watch, s.broker, id)
		s.trucks = append(s.trucks, t)
		return t
	}
	for range p.trucks {
		t := hire()
		t.work()
		register.register(t.id)
	}
	w.scheduled(p.hired, func() {
		t := hire()
		for range 4 {
			w.after(w.between(0, 10*time.Minute), t.make)
		}
		w.after(w.between(0, 20*time.Minute), func() { register.register(t.id) })
	})
	s.officeWork()
	s.settleWork()
	w.scheduled(p.foreign, s.foreign)
	return s
}

// deliver sends a receipt over the link of its source.
func (s *scene) deliver(subject string, body []byte) {
	for _, t := range s.trucks {
		if t.subject == subject {
			t.link.carry(func() { t.take(body) })
		}
	}
}

// officeWork enters an event at the yard's desk every few hours.
func (s *scene) officeWork() {
	s.w.after(s.w.about(3*time.Hour), func() {
		if !s.w.calm {
			s.desks[1].enter(s.anyTruck().id, "J-102", events.SiteLeft{})
			s.officeWork()
		}
	})
}

func (s *scene) anyTruck() *truck { return s.trucks[s.w.rng.IntN(len(s.trucks))] }

// foreign publishes what does not belong there: bytes that are no event, or a
// truck's event where another publishes.
func (s *scene) foreign() {
	t := s.anyTruck()
	raw, subject := fmt.Sprintf(`{"specversion":"1.0","note":%d`, s.w.rng.IntN(40)), t.subject
	kind := "unreadable-message"
	if s.w.chance(0.4) {
		if c := s.watch.claims[s.w.rng.IntN(len(s.watch.claims))]; c.accepted && c.subject != subject {
			raw, kind = c.canonical, "wrong-subject"
			s.watch.said(raw, c)
		}
	}
	s.watch.said(raw, &claim{subject: subject})
	s.w.count(kind)
	if _, err := s.broker.Publish(context.Background(), []ledger.Message{{Subject: subject, Body: []byte(raw)}}); err != nil {
		s.w.log("foreign", "not taken: %v", err)
	}
}

// quieten ends all faults, lets everything be handed over, and then lets the
// intake come to the end of the stream.
func (s *scene) quieten() {
	s.w.calm = true
	s.w.log("world", "calm")
	s.broker.skew, s.hub.skew = 0, 0
	s.w.after(s.w.between(0, time.Minute), s.broker.start)
	for _, t := range s.trucks {
		t.full, t.skew = false, 0
		t.start()
		t.link.back()
		t.make()
	}
	for _, d := range s.desks {
		d.enter("", "", events.EntryVoided{Refers: events.Ref{Source: "/office/yard", ID: "d-1"}, Reason: "the day is over", Author: "Yard office"})
	}
	s.w.runFor(14*time.Hour, always)
	for _, t := range s.trucks {
		t.silent = true
	}
	for range 48 {
		if s.w.runFor(time.Hour, always); s.watch.handled[s.broker.stream()] == uint64(s.broker.synced) {
			break
		}
	}
}
