package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"spoilbook/cmd/faults/internal/contents"
	"spoilbook/cmd/faults/internal/fleet"
	"spoilbook/cmd/faults/internal/process"
	"spoilbook/services/broker"
)

// base is a ledger that stands still, to be copied and harmed.
type base struct {
	dir     string        // of its site
	older   string        // its data folder as it was before
	waiting []fleet.Event // what its sources still keep, and what is yet to happen
	err     error
}

// bases are made when they are first asked for.
type bases struct {
	mu   sync.Mutex
	made map[uint64]*base
}

// manyBases is how many different ledgers are harmed. Half of them were stopped in
// order and the others killed at work, with events that wait in the broker.
const manyBases = 4

func (st *stage) base(ctx context.Context, seed uint64) (*base, error) {
	st.bases.mu.Lock()
	defer st.bases.mu.Unlock()
	seed %= manyBases
	if st.bases.made == nil {
		st.bases.made = map[uint64]*base{}
	}
	if b := st.bases.made[seed]; b != nil {
		return b, b.err
	}
	b := &base{dir: filepath.Join(st.dir, fmt.Sprintf("base-%d", seed)), older: filepath.Join(st.dir, fmt.Sprintf("older-%d", seed))}
	b.err = st.makeBase(ctx, b, seed)
	st.bases.made[seed] = b
	return b, b.err
}

// makeBase has a third of the month recorded, copies that, and goes on to two
// thirds.
func (st *stage) makeBase(ctx context.Context, b *base, seed uint64) error {
	if err := os.Mkdir(b.dir, 0o700); err != nil {
		return err
	}
	third := len(st.rest) / 3
	nothing := func(*contents.Contents) {}
	var o outcome
	if err := st.perform(ctx, &o, play{seed: seed, dir: b.dir, list: st.rest[:third], each: nothing}); err != nil {
		return err
	}
	if err := copyTree(b.older, b.data()); err != nil {
		return err
	}
	b.waiting = st.rest[2*third:]
	if seed%2 == 0 {
		return st.perform(ctx, &o, play{seed: seed, dir: b.dir, registered: true, list: st.rest[third : 2*third], each: nothing})
	}
	kept, err := st.leaveOff(ctx, b.dir, seed, st.rest[third:2*third])
	b.waiting = append(kept, b.waiting...)
	return err
}

func (b *base) data() string { return filepath.Join(b.dir, "d") }

// leaveOff kills a ledger while it takes events, and returns those that their
// sources still keep.
func (st *stage) leaveOff(ctx context.Context, dir string, seed uint64, list []fleet.Event) ([]fleet.Event, error) {
	s, err := newSite(st.programs, together, dir)
	if err != nil {
		return nil, err
	}
	p := s.part(hub)
	args := append([]string{}, p.args...)
	proc, err := process.Start(p.program, args, process.Options{Dir: dir, Env: st.programs.env})
	if err != nil {
		return nil, err
	}
	defer proc.End(syscall.SIGKILL)
	if _, err := proc.WaitFor(ctx, p.ready); err != nil {
		return nil, err
	}
	run, cancel := context.WithCancel(ctx)
	defer cancel()
	f := fleet.New(list, seed, fleet.Manners{}, fleet.Mixed(s.address, s.natsURL, 1))
	done := make(chan error, 1)
	go func() { done <- f.Run(run) }()
	err = f.Await(ctx, f.Total()*2/3)
	proc.End(syscall.SIGKILL)
	cancel()
	if runErr := <-done; runErr == nil || ctx.Err() != nil {
		return nil, errors.Join(err, fmt.Errorf("the ledger was not killed at work: %w", context.Cause(ctx)))
	}
	return f.Waiting(), err
}

// harmed is a round in which a stopped ledger is harmed and started again. Its
// sources go on. Either all is as it would have been, or the damage is named.
func (st *stage) harmed(ctx context.Context, seed uint64, name, folder string, h harm) (outcome, error) {
	o := outcome{Times: 1, Events: len(st.accepted), files: map[string]int{}}
	b, err := st.base(ctx, seed)
	if err != nil {
		return o, fmt.Errorf("the ledger to be harmed: %w", err)
	}
	dir, err := os.MkdirTemp(st.dir, "round-")
	if err != nil {
		return o, err
	}
	defer os.RemoveAll(dir)
	if err := copyTree(filepath.Join(dir, "d"), b.data()); err != nil {
		return o, err
	}
	what, err := h(dice(seed, name), filepath.Join(dir, "d", folder), filepath.Join(b.older, folder))
	if err != nil {
		return o, fmt.Errorf("harm: %w", err)
	}
	file, _, _ := strings.Cut(what, ": ")
	o.files[folder+"/"+kindOf(file)]++
	var d *contents.Difference
	err = st.perform(ctx, &o, play{seed: seed, dir: dir, registered: true, list: b.waiting, manners: fleet.Manners{Again: 10},
		each: func(c *contents.Contents) { d = c.Against(st.accepted, st.want) }})
	switch {
	case ctx.Err() != nil:
		return o, ctx.Err()
	case isDamage(err):
		o.Named = 1
		return o, nil
	case err != nil:
		o.broke("%s (base %d): it fails, and does not say that something is damaged: %v", what, seed%manyBases, err)
		return o, nil
	}
	err = st.afterwards(ctx, &o, d, dir, folder, what)
	return o, err
}

// afterwards looks for what nobody noticed while a harmed ledger was at work.
func (st *stage) afterwards(ctx context.Context, o *outcome, d *contents.Difference, dir, folder, what string) error {
	data := filepath.Join(dir, "d")
	status, printed, err := process.Run(st.programs.spoilbook, []string{st.programs.check, "--data", data}, process.Options{Dir: dir, Env: st.programs.env})
	if err != nil {
		return err
	}
	switch {
	case status == exitDamaged:
		o.Named = 1
		return nil
	case status != 0:
		o.broke("%s: spoilbook %s ends with status %d: %s", what, st.programs.check, status, printed)
		return nil
	case !d.None():
		o.Undetected, o.Lost, o.Doubled = 1, len(d.Lost), len(d.Doubled)
		o.broke("%s, and nobody says so: %s", what, d)
		return nil
	}
	if folder == brokerFolder {
		gone, err := st.goneFromStream(ctx, filepath.Join(data, brokerFolder))
		if err != nil {
			return err
		}
		if gone > 0 {
			o.Undetected = 1
			o.broke("%s, and nobody says so: %d of the events are not in the broker's stream any more (the ledger has them all)", what, gone)
			return nil
		}
	}
	o.Harmless = 1
	return nil
}

// Folders of the two stores in a data folder.
const (
	brokerFolder = "broker"
	storeFolder  = "engine"
)

// fetchPatience is how long a broker may take to give messages that it has.
const fetchPatience = 10 * time.Second

// goneFromStream counts the accepted events that a broker's folder has no message
// of. A ledger that is lost could not be made anew with them.
func (st *stage) goneFromStream(ctx context.Context, dir string) (gone int, err error) {
	b, err := broker.Open(ctx, broker.Options{Dir: dir})
	if errors.Is(err, broker.ErrDamaged) {
		return 0, nil // the next start says so
	}
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, b.Close(context.WithoutCancel(ctx))) }()
	state, err := b.StreamState(ctx)
	if err != nil {
		return 0, err
	}
	c, err := b.Consume(ctx, broker.ConsumeOptions{From: 1})
	bodies := map[string]bool{}
	for read := uint64(0); err == nil && read < state.LastSeq; {
		var some []broker.Delivery
		some, err = c.Fetch(ctx, broker.MaxFetch, fetchPatience)
		for _, m := range some {
			bodies[string(m.Body)], read = true, m.StreamSeq
		}
		if len(some) == 0 && err == nil {
			err = fmt.Errorf("the broker gives nothing after message %d of %d", read, state.LastSeq)
		}
	}
	if err != nil && !errors.Is(err, broker.ErrDamaged) {
		return 0, err
	}
	for _, body := range st.accepted {
		if !bodies[body] {
			gone++
		}
	}
	return gone, nil
}
