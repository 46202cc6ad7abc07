package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"spoilbook/services/ledger"
)

func moveCommand() *cobra.Command {
	var from, to siteOptions
	var giveUp bool
	c := &cobra.Command{
		Use:   "move",
		Short: "Move the ledger to servers of your own, or back into a data folder",
		Long: `Take in everything that the broker has received, refuse what is published from
then on, copy the ledger row by row into an empty store, read it back and compare,
and take up the new broker's stream. Then the old place is marked: a serve there
says where the ledger went. What is there stays as it was.

A move that is cut off is finished by the same command given again. Until the last
step the old place is the ledger, and --give-up makes it one again; neither place
is written to in between.`,
		Example: `  spoilbook move --data ./spoilbook-data --to-nats nats://127.0.0.1:4222 --to-clickhouse http://127.0.0.1:8123/default
  spoilbook move --nats nats://127.0.0.1:4222 --clickhouse http://127.0.0.1:8123/default --to-data ./spoilbook-data
  spoilbook move --data ./spoilbook-data --give-up`,
		Args: exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			to.engineCache, to.verbose = from.engineCache, from.verbose
			if giveUp {
				return giveUpMove(c.Context(), from, c.OutOrStdout(), c.ErrOrStderr())
			}
			if err := moveable(&from, &to); err != nil {
				return &usageError{"move", err}
			}
			return move(c.Context(), from, to, c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	c.Flags().StringVar(&from.data, "data", envOr("SPOILBOOK_DATA", "./spoilbook-data"), "data `folder` of the embedded broker and engine")
	addServerFlags(c, &from)
	f := c.Flags()
	f.StringVar(&to.data, "to-data", "", "data `folder` to move to")
	f.StringVar(&to.nats.URL, "to-nats", "", "`URL` of the NATS server to move to")
	f.StringVar(&to.nats.Credentials, "to-nats-creds", "", "credentials `file` for it")
	f.IntVar(&to.nats.Replicas, "to-nats-replicas", 1, "copies of each stream there, 1 or 3")
	f.StringVar(&to.clickhouse, "to-clickhouse", "", "`URL` of the ClickHouse server to move to")
	f.BoolVar(&giveUp, "give-up", false, "give up a move that was begun from here and has not finished")
	return c
}

// moveable refuses a move to nowhere, or one that a process can not make.
func moveable(from, to *siteOptions) error {
	switch {
	case to.data == "" && (to.nats.URL == "" || to.clickhouse == ""):
		return errors.New("give --to-nats and --to-clickhouse, or --to-data for what is embedded")
	case from.clickhouse == "" && to.clickhouse == "":
		return errors.New("both ends keep the ledger in the embedded engine, of which a process has one: use spoilbook backup and spoilbook restore")
	case from.clickhouse == to.clickhouse || from.nats.URL != "" && from.nats.URL == to.nats.URL:
		return errors.New("a move goes to another NATS and another ClickHouse, each")
	case from.embedded() && to.embedded() && from.data == to.data:
		return errors.New("both ends name the same data folder")
	}
	return nil
}

// place says for people where a ledger is, without any secret.
func (o *siteOptions) place() string {
	one := func(address, embedded string) string {
		if address == "" {
			if path, err := filepath.Abs(o.data); err == nil {
				embedded = filepath.Join(path, embedded)
			}
			return embedded
		}
		u, err := url.Parse(address)
		if err != nil {
			return "a server"
		}
		u.User, u.RawQuery = nil, ""
		return u.String()
	}
	return one(o.nats.URL, "broker") + " and " + one(o.clickhouse, "engine")
}

func move(ctx context.Context, from, to siteOptions, stdout, stderr io.Writer) (err error) {
	from.unfinished, to.unfinished, from.nats.Frozen = true, true, true
	old := &site{options: from, log: from.logger(stderr)}
	defer func() { err = errors.Join(err, old.close()) }()
	if err := old.openStore(ctx, stderr); err != nil {
		return err
	}
	if err := old.departs(ctx, to.place()); err != nil {
		return err
	}
	if err := old.drain(ctx, to.place(), stdout); err != nil {
		return err
	}
	s := &site{options: to, log: to.logger(stderr)}
	defer func() { err = errors.Join(err, s.close()) }()
	if err := s.openStore(ctx, stderr); err != nil {
		return err
	}
	// Nothing of the copy can be used before the old place is marked, and nothing of the old
	// place after it.
	err = s.fillFrom(ctx, old.store, "the ledger of "+from.place(), stdout, stderr, func() error {
		return ledger.Wrap(ledger.StoreDown, old.store.Mark(ctx, ledger.MarkMoved, to.place()), "move")
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(stdout, "the ledger moved to %s\n", to.place())
	return err
}

// departs refuses a ledger that is none, or that has gone or is going elsewhere.
func (s *site) departs(ctx context.Context, where string) error {
	marks := map[string]string{}
	for _, mark := range []string{ledger.MarkFilling, ledger.MarkMoving, ledger.MarkMoved} {
		text, err := s.store.Marked(ctx, mark)
		if err != nil {
			return ledger.Wrap(ledger.StoreDown, err, "move")
		}
		marks[mark] = text
	}
	switch {
	case marks[ledger.MarkFilling] != "":
		return ledger.Fail(ledger.Conflict, "move: the ledger is not whole: it was being filled with %s", marks[ledger.MarkFilling])
	case marks[ledger.MarkMoved] != "" && marks[ledger.MarkMoved] != where:
		return ledger.Fail(ledger.Moved, "move: the ledger moved to %s", marks[ledger.MarkMoved])
	case marks[ledger.MarkMoving] != "" && marks[ledger.MarkMoving] != where:
		return ledger.Fail(ledger.Conflict, "move: the ledger is moving to %s; finish that by the same command, or give it up with --give-up", marks[ledger.MarkMoving])
	case marks[ledger.MarkMoving] != "":
		return nil
	}
	return ledger.Wrap(ledger.StoreDown, s.store.Mark(ctx, ledger.MarkMoving, where), "move")
}

// drain has the broker refuse what is published from now on, and waits until all that
// it has received is recorded. The site stays the intake until it is closed, so that
// no other becomes it.
func (s *site) drain(ctx context.Context, where string, stdout io.Writer) error {
	if err := s.openBroker(ctx); err != nil {
		return err
	}
	if err := s.startIntake(ctx); err != nil {
		return err
	}
	if err := s.broker.Freeze(ctx, where); err != nil {
		return codedBroker(err, "move")
	}
	state, err := s.broker.StreamState(ctx)
	if err != nil {
		return codedBroker(err, "move")
	}
	stream, err := publisher{s.broker}.Stream(ctx)
	if err != nil {
		return err
	}
	s.makeLedger(true)
	waiting, cancel := context.WithTimeout(ctx, 30*time.Minute)
	defer cancel()
	if state.LastSeq > 0 {
		if _, err := s.ledger.Await(waiting, ledger.Ticket{Stream: stream, First: state.LastSeq, Last: state.LastSeq, Count: 1}); err != nil {
			return ledger.Wrap(ledger.TimedOut, err, "move: wait until all that was received is recorded")
		}
	}
	_, err = fmt.Fprintf(stdout, "all %d messages that were received are recorded; no more are taken\n", state.LastSeq)
	return err
}

// giveUpMove makes the old place the ledger again.
func giveUpMove(ctx context.Context, from siteOptions, stdout, stderr io.Writer) (err error) {
	from.unfinished, from.nats.Frozen = true, true
	s := &site{options: from, log: from.logger(stderr)}
	defer func() { err = errors.Join(err, s.close()) }()
	if err := s.openStore(ctx, stderr); err != nil {
		return err
	}
	moved, err := s.store.Marked(ctx, ledger.MarkMoved)
	if err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "give up the move")
	}
	if moved != "" {
		return ledger.Fail(ledger.Moved, "give up the move: it has finished, and the ledger is at %s", moved)
	}
	if err := s.openBroker(ctx); err != nil {
		return err
	}
	if err := s.broker.Thaw(ctx); err != nil {
		return codedBroker(err, "give up the move")
	}
	if err := s.store.Mark(ctx, ledger.MarkMoving, ""); err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "give up the move")
	}
	_, err = fmt.Fprintln(stdout, "the move is given up; the ledger is here. What was copied is not a ledger, and can be removed")
	return err
}
