package main

import (
	"context"
	"fmt"
	"os"
	"sync"
	"time"

	"spoilbook/services/broker"
	"spoilbook/services/intake"
	"spoilbook/services/ledger"
	"spoilbook/services/store"
)

// intakeLease is how long an intake that died keeps another from starting. A
// quarter of it is what an intake has to stop in when it loses the lease, which is
// more than it takes to finish a block.
const intakeLease = 10 * time.Second

// releasePatience is how long a lease may take to be given up; it ends by itself.
const releasePatience = 5 * time.Second

// startIntake runs the intake beside the caller until close. When another process
// already is the intake of this stream it returns a lease error.
func (s *site) startIntake(ctx context.Context) error {
	r, err := s.beginIntake(ctx)
	if err != nil {
		return err
	}
	run, cancel := context.WithCancel(context.WithoutCancel(ctx))
	s.stopIntake, s.intakeDone = cancel, make(chan error, 1)
	var keeping sync.WaitGroup
	keeping.Go(func() { s.keepHighWater(run) })
	go func() {
		err := s.keepIntake(run, r)
		cancel()
		keeping.Wait()
		s.intakeDone <- err
	}()
	return nil
}

// intakeRun is an intake with what it holds while it runs.
type intakeRun struct {
	in    *intake.Intake
	feed  feed
	lease *broker.Lease
}

// beginIntake becomes the intake of the stream and goes on where the store stands.
func (s *site) beginIntake(ctx context.Context) (*intakeRun, error) {
	host, err := os.Hostname()
	if err != nil {
		host = "unknown-host"
	}
	lease, err := s.broker.Lease(ctx, "intake", holderName(host), intakeLease)
	if err != nil {
		return nil, codedBroker(err, "become the intake")
	}
	r, err := s.newIntake(ctx, lease)
	if err != nil {
		s.releaseLease(ctx, lease)
		return nil, err
	}
	return r, nil
}

// leased is the store for one that may write while it has its lease. A process
// that was halted, and wakes when another has taken over, must not go on where it
// was.
type leased struct {
	*store.Store
	lease *broker.Lease
}

// Append stores a block, unless the lease is gone.
func (l leased) Append(ctx context.Context, b *ledger.Block) error {
	if !l.lease.Valid() {
		return ledger.Fail(ledger.InUse, "the lease of the intake was lost")
	}
	err := l.Store.Append(ctx, b)
	if err != nil && !l.lease.Valid() {
		// What contradicts it may be the work of whoever has the lease now.
		return &ledger.Error{Code: ledger.InUse, What: "the lease of the intake was lost while a block was stored", Cause: err}
	}
	return err
}

func (s *site) releaseLease(ctx context.Context, lease *broker.Lease) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), releasePatience)
	defer cancel()
	if err := lease.Release(ctx); err != nil {
		s.log.Warn("intake: the lease ends by itself", "error", err)
	}
}

// holderName makes a lease holder's token of this process.
func holderName(host string) string {
	token := []byte(fmt.Sprintf("%s-%d", host, os.Getpid()))
	for i, b := range token {
		if !(b >= 'a' && b <= 'z' || b >= 'A' && b <= 'Z' || b >= '0' && b <= '9' || b == '-' || b == '_') {
			token[i] = '-'
		}
	}
	return string(token[max(0, len(token)-64):])
}

// newIntake makes an intake that goes on where the store stands, after broker and
// store were held against each other.
func (s *site) newIntake(ctx context.Context, lease *broker.Lease) (*intakeRun, error) {
	stream, err := publisher{s.broker}.Stream(ctx)
	if err != nil {
		return nil, err
	}
	if err := s.checkStanding(ctx); err != nil {
		return nil, err
	}
	if err := s.openRecorder(ctx); err != nil {
		return nil, err
	}
	in, err := intake.New(ctx, intake.Config{Store: leased{s.recorder, lease}, Receipts: s.broker, Stream: stream, Logger: s.log, Observe: s.observe})
	if err != nil {
		return nil, ledger.Wrap(ledger.StoreDown, err, "start the intake")
	}
	c, err := s.broker.Consume(ctx, broker.ConsumeOptions{From: in.Handled() + 1})
	if err != nil {
		return nil, codedBroker(err, "consume")
	}
	return &intakeRun{in, feed{c}, lease}, nil
}

// keepIntake runs the intake and starts it again after failures of the broker and
// when the lease was lost, until ctx ends. While another process has the lease, it
// stands by. Damage ends it.
func (s *site) keepIntake(ctx context.Context, r *intakeRun) error {
	pause := 100 * time.Millisecond
	for {
		err := s.runIntake(ctx, r)
		for r = nil; r == nil; {
			if ctx.Err() != nil || ledger.CodeOf(err) == ledger.Damaged {
				return err
			}
			s.log.Warn("intake: starting again", "error", err, "pause", pause)
			select {
			case <-ctx.Done():
				return nil
			case <-time.After(pause):
			}
			pause = min(pause*2, 10*time.Second)
			if r, err = s.beginIntake(ctx); r == nil && ctx.Err() != nil && ledger.CodeOf(err) != ledger.Damaged {
				return nil // it was told to stop while it began
			}
		}
		pause = 100 * time.Millisecond
	}
}

// runIntake runs the intake while it has its lease, and gives the lease up.
func (s *site) runIntake(ctx context.Context, r *intakeRun) error {
	running, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		select {
		case <-r.lease.Done():
			cancel()
		case <-running.Done():
		}
	}()
	s.intakeRunning.Store(true)
	err := r.in.Run(running, r.feed)
	s.intakeRunning.Store(false)
	if err == nil && ctx.Err() == nil {
		err = ledger.Fail(ledger.InUse, "the lease of the intake was lost")
	}
	s.releaseLease(ctx, r.lease)
	return err
}
