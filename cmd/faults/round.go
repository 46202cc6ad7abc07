package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"spoilbook/cmd/faults/internal/contents"
	"spoilbook/cmd/faults/internal/fleet"
	"spoilbook/services/ledger"
)

// outcome is what became of one round.
type outcome struct {
	Times      int      // that the fault happened
	Events     int      // accepted by their sources, which the fault could lose or double
	Lost       int      // of them, without a word
	Doubled    int      // of them, without a word
	Named      int      // faults that were called damage
	Harmless   int      // faults after which all is as if nothing had happened
	Undetected int      // faults that changed something without a word
	Wrong      []string // every promise that broke, in words

	files   map[string]int // harmed, by kind
	tallies map[string]fleet.Tally
}

func (o *outcome) broke(format string, args ...any) {
	o.Wrong = append(o.Wrong, fmt.Sprintf(format, args...))
}

// stage is what all rounds share.
type stage struct {
	programs *programs
	dir      string // for folders of the rounds
	register []fleet.Event
	rest     []fleet.Event
	accepted map[string]string  // bytes of the whole month by source and id
	want     *contents.Contents // of a ledger that nothing disturbed
	bases    bases
}

const (
	roundPatience = 10 * time.Minute // for one round, then something is stuck
	readPatience  = 4 * time.Minute  // for reading everything once servers are up
	recovery      = 30 * time.Second // within which a read may still fail by itself
)

// errStuck ends a round that takes too long.
var errStuck = errors.New("the round got stuck")

// newStage builds the programs and runs the month, or so many of its events, once
// without a fault.
func newStage(ctx context.Context, dir string, most int) (*stage, error) {
	p, err := buildPrograms(ctx, dir)
	if err != nil {
		return nil, err
	}
	st := &stage{programs: p, dir: dir, accepted: map[string]string{}}
	if st.register, st.rest, err = fleet.Month(); err != nil {
		return nil, err
	}
	st.rest = st.rest[:min(most, len(st.rest))]
	for _, list := range [][]fleet.Event{st.register, st.rest} {
		for i := range list {
			st.accepted[list[i].Key()] = string(list[i].Message.Body)
		}
	}
	var o outcome
	err = st.perform(ctx, &o, play{seed: 1, layout: together, list: st.rest, each: func(c *contents.Contents) { st.want = c }})
	if err == nil && (len(o.Wrong) > 0 || len(st.want.Events) != len(st.accepted)) {
		err = fmt.Errorf("%q, %d events of %d", o.Wrong, len(st.want.Events), len(st.accepted))
	}
	if err != nil {
		return nil, fmt.Errorf("the run without a fault: %w", err)
	}
	return st, nil
}

// play is one ledger's life: sources send while faults happen, and at the end it
// says what it has.
type play struct {
	seed       uint64
	layout     layout
	dir        string        // empty for one that is made and removed
	registered bool          // there is a ledger in the folder, and it has the register
	list       []fleet.Event // what the sources have to send
	manners    fleet.Manners
	faults     strikes                  // while they send
	each       func(*contents.Contents) // is given what the ledger says
}

// strikes let faults happen to a site while a fleet sends, and return how many.
type strikes func(ctx context.Context, s *site, f *fleet.Fleet) (times int, err error)

// perform gives the play. What breaks a promise is put into o; an error is of the
// machinery, or of damage that was named.
func (st *stage) perform(ctx context.Context, o *outcome, p play) error {
	ctx, cancel := context.WithTimeoutCause(ctx, roundPatience, errStuck)
	defer cancel()
	if p.dir == "" {
		return st.inFolder(func(dir string) error { return st.inSite(ctx, o, p, dir) })
	}
	return st.inSite(ctx, o, p, p.dir)
}

// inSite gives a play in a folder.
func (st *stage) inSite(ctx context.Context, o *outcome, p play, dir string) (err error) {
	s, err := newSite(st.programs, p.layout, dir)
	if err != nil {
		return err
	}
	s.start(ctx)
	defer func() { err = errors.Join(err, s.stop()) }()
	if err := s.watched(ctx, func(ctx context.Context) error { return st.act(ctx, o, s, &p) }); err != nil {
		return err
	}
	c, err := readAll(ctx, s)
	if err != nil {
		return err
	}
	p.each(c)
	return nil
}

// act has the register recorded in peace and then everything sent amid the faults.
func (st *stage) act(ctx context.Context, o *outcome, s *site, p *play) error {
	if err := s.part(hub).await(ctx); err != nil {
		return err
	}
	connect := fleet.Mixed(s.address, s.natsURL, s.replicas())
	if !p.registered {
		if err := fleet.New(st.register, p.seed, fleet.Manners{}, connect).Run(ctx); err != nil {
			return err
		}
	}
	f := fleet.New(p.list, p.seed, p.manners, connect)
	done := make(chan error, 1)
	go func() { done <- f.Run(ctx) }()
	var err error
	if p.faults != nil {
		o.Times, err = p.faults(ctx, s, f)
	}
	err = errors.Join(err, <-done)
	o.tallies = f.Tallies()
	if err != nil {
		return fmt.Errorf("%d of %d events recorded: %w", f.Recorded(), f.Total(), err)
	}
	return nil
}

// watched runs something until it is done or the site fails.
func (s *site) watched(ctx context.Context, run func(context.Context) error) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	watching := make(chan struct{})
	go func() {
		defer close(watching)
		select {
		case err := <-s.failed:
			cancel(err)
		case <-ctx.Done():
		}
	}()
	err := run(ctx)
	if cause := context.Cause(ctx); cause != nil && !errors.Is(err, cause) {
		err = errors.Join(cause, err)
	}
	cancel(nil)
	<-watching
	return err
}

// readAll reads what the ledger says, as soon as it answers.
func readAll(ctx context.Context, s *site) (*contents.Contents, error) {
	ctx, cancel := context.WithTimeoutCause(ctx, readPatience, errors.New("the ledger can not be read"))
	defer cancel()
	var c *contents.Contents
	begun := time.Now()
	err := s.watched(ctx, func(ctx context.Context) (err error) {
		for pause := restartPause; ; pause = min(2*pause, 2*time.Second) {
			if err = s.part(hub).await(ctx); err != nil {
				return err
			}
			c, err = contents.Read(ctx, s.address)
			code := ledger.CodeOf(err)
			if err == nil {
				return nil
			}
			if code == ledger.Damaged || code == ledger.Internal && time.Since(begun) > recovery || ctx.Err() != nil {
				return fmt.Errorf("read the ledger (%s): %w\n%s printed last:\n%s", code, err, hub, s.part(hub).lastLines(20))
			}
			select {
			case <-time.After(pause):
			case <-ctx.Done():
			}
		}
	})
	return c, err
}

// judge holds what a ledger says against what was accepted and against the run
// without a fault.
func (st *stage) judge(o *outcome, c *contents.Contents) *contents.Difference {
	d := c.Against(st.accepted, st.want)
	if !d.None() {
		o.Lost, o.Doubled = o.Lost+len(d.Lost), o.Doubled+len(d.Doubled)
		o.broke("%s", d)
	}
	return d
}

// isDamage reports whether an error says that something is damaged: the exit
// status of a process, or the code of an answer.
func isDamage(err error) bool {
	var ended *endError
	return errors.As(err, &ended) && ended.status == exitDamaged || ledger.CodeOf(err) == ledger.Damaged
}

// inPeril is the play of a kind of fault that damages nothing that is stored: all
// must be as it was without the fault.
func (st *stage) inPeril(ctx context.Context, p play) (outcome, error) {
	o := outcome{Events: len(st.accepted)}
	p.list = st.rest
	if p.manners == (fleet.Manners{}) {
		p.manners = fleet.Manners{Again: 10, BreakOff: 4, GiveUp: 6}
	}
	p.each = func(c *contents.Contents) {
		if st.judge(&o, c).None() {
			o.Harmless = o.Times
		}
	}
	err := st.perform(ctx, &o, p)
	if err != nil && ctx.Err() == nil {
		// Nothing was damaged, so a ledger that stops or does not take events is wrong.
		o.broke("%v", err)
		err = nil
	}
	return o, err
}

// badManners is a round in which nothing is wrong but the sources.
func (st *stage) badManners(ctx context.Context, name string, m fleet.Manners, seed uint64) (outcome, error) {
	l := layout(seed % 2)
	o, err := st.inPeril(ctx, play{seed: seed, layout: l, manners: m})
	t := o.tallies[name]
	o.Times, o.Events = t.Times, t.Events
	if len(o.Wrong) == 0 {
		o.Harmless = t.Times
	}
	return o, err
}

// dice returns the random numbers of a round.
func dice(seed uint64, kind string) *rand.Rand {
	stream := uint64(14695981039346656037) // FNV-1a
	for i := range len(kind) {
		stream = (stream ^ uint64(kind[i])) * 1099511628211
	}
	return rand.New(rand.NewPCG(seed, stream))
}

// inFolder makes a new folder for a round and removes it afterwards.
func (st *stage) inFolder(use func(dir string) error) error {
	dir, err := os.MkdirTemp(st.dir, "round-")
	if err != nil {
		return err
	}
	return errors.Join(use(dir), os.RemoveAll(dir))
}

func copyTree(to, from string) error {
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		return fmt.Errorf("copy %s: %w", filepath.Base(from), err)
	}
	return nil
}
