package sim

import (
	"context"
	"errors"
	"time"

	"spoilbook/services/intake"
	"spoilbook/services/ledger"
)

// lease is how long an intake that died keeps another from starting.
const lease = 10 * time.Second

var errKilled = errors.New("the process was killed")

// process is one life of a program. It can die before and after each step.
type process struct {
	w       *world
	dead    bool
	deadly  float64 // chance of dying at a step
	crashAt *int    // steps left until it dies for certain; nil for never
	onDeath func()
}

func (p *process) alive() bool { return !p.dead }

// sleep lets d go by for the others and reports whether p lived through it.
func (p *process) sleep(d time.Duration) bool {
	p.w.runFor(d, p.alive)
	return p.alive()
}

func (p *process) kill(why string) {
	if p.dead {
		return
	}
	p.dead = true
	p.w.log("intake", "killed %s", why)
	p.onDeath()
}

// step carries f out, unless the process dies before; nobody hears of what f did
// when it dies after.
func (p *process) step(what string, f func() error) error {
	p.mayDie("before " + what)
	if p.dead {
		return errKilled
	}
	err := f()
	p.mayDie("after " + what)
	if p.dead {
		return errKilled
	}
	return err
}

func (p *process) mayDie(when string) {
	if p.dead {
		return
	}
	if p.w.fault("crash-intake", p.deadly) {
		p.kill(when)
	}
	if p.crashAt != nil && !p.w.calm {
		if *p.crashAt--; *p.crashAt == 0 {
			p.w.count("crash-intake")
			p.kill(when)
		}
	}
}

// hub runs the real intake over the simulated broker and store, and starts it
// again when it fails, as the program does.
type hub struct {
	w        *world
	p        *profile
	o        *Options
	broker   *broker
	db       *database
	watch    *auditor
	deliver  func(subject string, body []byte) // a receipt on its way to its source
	life     *process
	in       *intake.Intake
	session  *session
	feed     intake.Feed
	busy     bool // a step is going on
	due      bool // a look at the feed is planned
	starting bool
	skew     time.Duration
	crashAt  *int
}

func newHub(w *world, p *profile, o *Options, b *broker, db *database, watch *auditor) *hub {
	h := &hub{w: w, p: p, o: o, broker: b, db: db, watch: watch}
	if o.crashAt > 0 {
		h.crashAt = &o.crashAt
	}
	b.onSync = h.look
	w.scheduled(p.hubKill, func() { h.killNow("at any time") })
	w.scheduled(p.powerCut, func() {
		w.count("power-cut")
		h.killNow("by a power cut")
		b.crash()
		db.crash()
	})
	w.scheduled(p.jump/2, func() {
		w.count("clock-jump-hub")
		h.skew = w.between(-30*time.Hour, 30*time.Hour)
		w.log("hub", "clock jumps to %v off", h.skew.Round(time.Second))
	})
	h.startIn(0)
	return h
}

func (h *hub) killNow(why string) {
	if h.life != nil && h.life.alive() {
		h.w.count("crash-intake")
		h.life.kill(why)
	}
}

// startIn plans the next start of the intake.
func (h *hub) startIn(d time.Duration) {
	if h.starting {
		return
	}
	h.starting = true
	h.w.after(d, func() {
		h.starting = false
		if h.busy { // the last life is not yet unwound
			h.startIn(time.Second)
			return
		}
		h.start()
	})
}

// start begins a life of the intake.
func (h *hub) start() {
	life := &process{w: h.w, deadly: h.p.hubCrash, crashAt: h.crashAt}
	life.onDeath = func() { h.startIn(lease + h.w.about(time.Minute)) }
	h.life, h.in, h.session = life, nil, nil
	h.busy = true
	err := h.begin(life)
	h.busy = false
	switch {
	case !life.alive():
	case err != nil:
		h.failed("start", err)
	default:
		h.w.log("intake", "starts at position %d after message %d of %s", h.in.Position(), h.in.Handled(), h.session.stream)
		h.look()
	}
}

func (h *hub) begin(life *process) error {
	stream, err := h.broker.Stream(context.Background())
	if err != nil {
		return err
	}
	c := &client{reader{h.db, life}, h.db, life}
	var store intake.Store = c
	if h.o.WrapStore != nil {
		store = h.o.WrapStore(c)
	}
	var receipts intake.Receipts = postOffice{h, life}
	if h.o.WrapReceipts != nil {
		receipts = h.o.WrapReceipts(receipts)
	}
	in, err := intake.New(context.Background(), intake.Config{
		Store: store, Receipts: receipts, Stream: stream, Batch: h.p.batch,
		Now: func() time.Time { return epoch().Add(h.w.now + h.skew) },
		Pause: func(_ context.Context, d time.Duration) error {
			if !life.sleep(d) {
				return errKilled
			}
			return nil
		},
	})
	if err != nil {
		return err
	}
	session, err := h.broker.consume(in.Handled() + 1)
	if err != nil {
		return err
	}
	in.SendLostReceipts(context.Background())
	if !life.alive() {
		return errKilled
	}
	h.in, h.session = in, session
	h.feed = hose{session, life, h}
	if h.o.WrapFeed != nil {
		h.feed = h.o.WrapFeed(h.feed)
	}
	return nil
}

// failed starts the intake again after an error. Damage would stop the program:
// none is inflicted while it runs, so none may be found.
func (h *hub) failed(doing string, err error) {
	h.w.log("intake", "fails to %s: %v", doing, err)
	if ledger.CodeOf(err) == ledger.Damaged {
		h.watch.broken("the intake reports damage where there is none: %v", err)
	}
	h.life.dead = true
	h.startIn(100*time.Millisecond + h.w.about(5*time.Second))
}

// look plans a look at the feed.
func (h *hub) look() {
	if h.due || h.busy || h.in == nil || !h.life.alive() || h.session.pending() == 0 {
		return
	}
	h.due = true
	wait := time.Millisecond
	if h.session.pending() < h.p.batch {
		wait = h.w.between(time.Millisecond, h.p.poll)
	}
	h.w.after(wait, func() {
		h.due = false
		if !h.busy && h.in != nil && h.life.alive() {
			h.step()
		}
	})
}

// step hands the intake one batch.
func (h *hub) step() {
	life := h.life
	h.busy = true
	err := h.batch(life)
	h.busy = false
	if err != nil && life.alive() {
		h.failed("handle a batch", err)
	}
	h.look()
}

func (h *hub) batch(life *process) error {
	ctx := context.Background()
	ds, err := h.feed.Fetch(ctx, h.p.batch, 0)
	if err != nil || len(ds) == 0 {
		return err
	}
	return h.in.Step(ctx, h.feed, ds)
}

// hose is the feed as the intake's process sees it.
type hose struct {
	s    *session
	life *process
	h    *hub
}

// Fetch returns the next messages.
func (f hose) Fetch(ctx context.Context, limit int, wait time.Duration) (ds []ledger.Delivery, err error) {
	err = f.life.step("fetch", func() error { ds, err = f.s.Fetch(ctx, limit, wait); return err })
	return ds, err
}

// Ack acknowledges, which the auditor sees.
func (f hose) Ack(ctx context.Context, upTo uint64) error {
	return f.life.step("acknowledge", func() error {
		f.h.watch.acknowledged(f.s.stream, upTo)
		return f.s.Ack(ctx, upTo)
	})
}

// postOffice takes receipts to the broker.
type postOffice struct {
	h    *hub
	life *process
}

// PublishReceipt stores a receipt, which the auditor sees, and sends it on.
func (o postOffice) PublishReceipt(_ context.Context, subject string, body []byte) error {
	return o.life.step("send receipt", func() error {
		if !o.h.broker.up {
			return errBrokerDown
		}
		o.h.watch.receipt(subject, body)
		o.h.broker.last[subject] = body
		o.h.deliver(subject, body)
		return nil
	})
}

// LastReceipts returns the last receipts that the broker has.
func (o postOffice) LastReceipts(_ context.Context, subjects []string) (out map[string][]byte, err error) {
	out = map[string][]byte{}
	err = o.life.step("last receipts", func() error {
		if !o.h.broker.up {
			return errBrokerDown
		}
		for _, s := range subjects {
			if body := o.h.broker.last[s]; body != nil {
				out[s] = body
			}
		}
		return nil
	})
	return out, err
}
