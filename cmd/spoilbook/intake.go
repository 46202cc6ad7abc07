package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"spoilbook/services/broker"
	"spoilbook/services/intake"
	"spoilbook/services/ledger"
)

// intakeLease is how long an intake that died keeps another from starting.
const intakeLease = 10 * time.Second

// startIntake runs the intake beside the caller until close. When another process
// already is the intake of this stream it returns a lease error.
func (s *site) startIntake(ctx context.Context) error {
	host, err := os.Hostname()
	if err != nil {
		host = "unknown-host"
	}
	lease, err := s.broker.Lease(ctx, "intake", holderName(host), intakeLease)
	if err != nil {
		return codedBroker(err, "become the intake")
	}
	in, err := s.newIntake(ctx)
	if err != nil {
		return errors.Join(err, lease.Release(ctx))
	}
	run, cancel := context.WithCancel(context.WithoutCancel(ctx))
	s.stopIntake, s.intakeDone = cancel, make(chan error, 1)
	go func() {
		select {
		case <-lease.Done():
			s.log.Error("intake: the lease was lost; another process takes over")
			cancel()
		case <-run.Done():
		}
	}()
	go func() {
		err := s.superviseIntake(run, in)
		release, done := context.WithTimeout(context.WithoutCancel(run), 5*time.Second)
		defer done()
		s.intakeDone <- errors.Join(err, lease.Release(release))
	}()
	return nil
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

// newIntake makes an intake that goes on where the store stands, after checking
// that the stream still has what was handled.
func (s *site) newIntake(ctx context.Context) (*intakeRun, error) {
	stream, err := publisher{s.broker}.Stream(ctx)
	if err != nil {
		return nil, err
	}
	in, err := intake.New(ctx, intake.Config{Store: s.store, Receipts: s.broker, Stream: stream, Logger: s.log, Observe: s.observe})
	if err != nil {
		return nil, ledger.Wrap(ledger.StoreDown, err, "start the intake")
	}
	state, err := s.broker.StreamState(ctx)
	if err != nil {
		return nil, codedBroker(err, "stream")
	}
	if state.LastSeq < in.Handled() || state.Deleted > 0 {
		return nil, ledger.Fail(ledger.Damaged, "the broker's stream %s ends at message %d with %d missing, but message %d was handled already: messages were lost from it", stream, state.LastSeq, state.Deleted, in.Handled())
	}
	c, err := s.broker.Consume(ctx, broker.ConsumeOptions{From: in.Handled() + 1})
	if err != nil {
		return nil, codedBroker(err, "consume")
	}
	return &intakeRun{in, feed{c}}, nil
}

type intakeRun struct {
	in   *intake.Intake
	feed feed
}

// superviseIntake runs the intake and starts it again after failures of the
// broker, until ctx ends. Damage ends it.
func (s *site) superviseIntake(ctx context.Context, r *intakeRun) error {
	pause := 100 * time.Millisecond
	for {
		s.intakeRunning.Store(true)
		err := r.in.Run(ctx, r.feed)
		s.intakeRunning.Store(false)
		if ctx.Err() != nil || ledger.CodeOf(err) == ledger.Damaged {
			return err
		}
		for {
			s.log.Warn("intake: starting again", "error", err, "pause", pause)
			select {
			case <-ctx.Done():
				return nil
			case <-time.After(pause):
			}
			pause = min(pause*2, 10*time.Second)
			var next *intakeRun
			if next, err = s.newIntake(ctx); err == nil {
				r, pause = next, 100*time.Millisecond
				break
			}
			if ledger.CodeOf(err) == ledger.Damaged {
				return err
			}
		}
	}
}
