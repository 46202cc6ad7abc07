package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"spoilbook/services/backup"
	"spoilbook/services/highwater"
	"spoilbook/services/ledger"
)

func restoreCommand() *cobra.Command {
	var o siteOptions
	var upTo uint64
	c := &cobra.Command{
		Use:   "restore FOLDER",
		Short: "Make a ledger from a backup",
		Long: `Check a backup and put it into an empty data folder, or an empty ClickHouse
database: the same positions, blocks and roots. All of it is read back and compared
before anybody can use it. The stream of the broker is a new one, or one that goes
on; the ledger takes it up. Every source is sent what is recorded of it, so that it
sends the rest again.

A restore that is cut off is finished by the same command given again; until then
no other command opens the ledger. One that holds anything is left as it is.

Users and tokens of the backup come with it, where people.json is in the folder.

With --up-to the ledger is as it was when that position had been recorded.`,
		Example: `  spoilbook restore ./backup --data ./restored
  spoilbook restore ./backup --data ./restored --up-to 5000`,
		Args: exactly(1, "the folder of a backup"),
		RunE: func(c *cobra.Command, args []string) error {
			return restore(c.Context(), o, args[0], upTo, c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	c.Flags().StringVar(&o.data, "data", envOr("SPOILBOOK_DATA", "./spoilbook-data"), "data `folder` to make, of the embedded broker and engine")
	addServerFlags(c, &o)
	c.Flags().Uint64Var(&upTo, "up-to", 0, "last `position` wanted; 0 is all")
	return c
}

func restore(ctx context.Context, o siteOptions, folder string, upTo uint64, stdout, stderr io.Writer) (err error) {
	dir := backup.Dir(folder)
	tell, done := countEvents(stderr, "checking")
	if _, err := backup.Check(ctx, dir, tell); err != nil {
		return ledger.Wrap(ledger.Internal, err, "restore from %s; nothing was written", folder)
	}
	if err := done(); err != nil {
		return err
	}
	people, some, err := keptPeople(folder)
	if err != nil {
		return err
	}
	held, err := backup.Open(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, held.Close()) }()
	var src backup.Source = held
	if upTo != 0 {
		if src, err = backup.UpTo(ctx, held, upTo); err != nil {
			return ledger.Wrap(ledger.Internal, err, "restore from %s", folder)
		}
	}
	o.unfinished = true
	s := &site{options: o, log: o.logger(stderr)}
	defer func() { err = errors.Join(err, s.close()) }()
	if err := s.openStore(ctx, stderr); err != nil {
		return err
	}
	return s.fillFrom(ctx, src, "the backup in "+folder, stdout, stderr, func() error {
		if !some {
			return nil
		}
		return s.restorePeople(ctx, people, stdout)
	})
}

// fillFrom makes the ledger of a site from a source, takes up its stream, and lets
// others use it once before has returned.
func (s *site) fillFrom(ctx context.Context, src backup.Source, from string, stdout, stderr io.Writer, before func() error) error {
	tell, done := countEvents(stderr, "copying")
	st, err := backup.Fill(ctx, src, s.store, backup.FillOptions{From: from, Progress: tell})
	if err = errors.Join(err, done()); err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "make the ledger from %s", from)
	}
	if err := s.adoptNext(ctx, src, fmt.Sprintf("made from %s, at position %d", from, st.Position)); err != nil {
		return err
	}
	told, err := s.tellSources(ctx)
	if err != nil {
		return err
	}
	if before != nil {
		if err := before(); err != nil {
			return err
		}
	}
	if err := backup.Finish(ctx, s.store); err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "make the ledger from %s", from)
	}
	_, err = fmt.Fprintf(stdout, "position %d, root %x: %d events in %d blocks and %d quarantined messages, read back and compared\n%d sources were sent what is recorded of them\n",
		st.Position, st.Root, st.Position, st.Blocks, st.Entries, told)
	return err
}

// adoptNext lets the ledger take up whatever stream it finds, unless that was done.
func (s *site) adoptNext(ctx context.Context, src backup.Source, reason string) error {
	had, err := src.Adoptions(ctx)
	if err != nil {
		return err
	}
	have, err := s.store.Adoptions(ctx)
	if err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "take up a stream")
	}
	if len(have) > len(had) {
		return nil
	}
	if s.options.embedded() {
		if err := highwater.Remove(s.options.data); err != nil {
			return ledger.Wrap(ledger.Internal, err, "take up a stream")
		}
	}
	reason = reason[:min(len(reason), 900)]
	err = s.store.Adopt(ctx, ledger.Adoption{Stream: ledger.AnyStream, At: time.Now(), Author: "spoilbook", Reason: reason})
	return ledger.Wrap(ledger.StoreDown, err, "take up a stream")
}

// tellSources opens the broker, takes its stream up and sends every source what is
// recorded of it. Nothing is taken in.
func (s *site) tellSources(ctx context.Context) (told int, err error) {
	if err := s.openBroker(ctx); err != nil {
		return 0, err
	}
	r, err := s.beginIntake(ctx)
	if err != nil {
		return 0, err
	}
	defer s.releaseLease(ctx, r.lease)
	told, err = r.in.SendAllReceipts(ctx)
	return told, ledger.Wrap(ledger.BrokerDown, err, "send receipts")
}
