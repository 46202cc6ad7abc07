package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"spoilbook/services/backup"
	"spoilbook/services/ledger"
)

func trimCommand() *cobra.Command {
	var o siteOptions
	var folder, author string
	keepDays := 30
	c := &cobra.Command{
		Use:   "trim",
		Short: "Cut off messages of the broker that are recorded and backed up",
		Long: `Check a backup, see that this ledger extends it, and remove from the broker's
stream the messages that are recorded, in the backup, and older than --keep-days.
The ledger itself is never trimmed. While a hold stands, nothing is.

The first message that is kept is noted in the ledger before anything is removed, so
that a start knows it: a stream that begins later than that is damaged. After a trim
the broker alone no longer makes a lost ledger anew; the backup does.`,
		Example: `  spoilbook trim --backup ./backup --keep-days 30 --author "Yard office"`,
		Args:    exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			if keepDays < 0 {
				return &usageError{"trim", errors.New("--keep-days is 0 or more")}
			}
			return trim(c, o, folder, time.Now().AddDate(0, 0, -keepDays), author)
		},
	}
	c.Flags().StringVar(&o.data, "data", envOr("SPOILBOOK_DATA", "./spoilbook-data"), "data `folder` of the embedded broker and engine")
	addServerFlags(c, &o)
	f := c.Flags()
	f.StringVar(&folder, "backup", "", "`folder` of a backup of this ledger")
	f.IntVar(&keepDays, "keep-days", keepDays, "keep messages that were received in the last so many days")
	f.StringVar(&author, "author", "", "who decides this")
	for _, name := range []string{"backup", "author"} {
		if err := c.MarkFlagRequired(name); err != nil {
			panic(err) // the flag is defined above
		}
	}
	return c
}

func trim(c *cobra.Command, o siteOptions, folder string, before time.Time, author string) (err error) {
	ctx := c.Context()
	tell, done := countEvents(c.ErrOrStderr(), "checking")
	if _, err := backup.Check(ctx, backup.Dir(folder), tell); err != nil {
		return ledger.Wrap(ledger.Internal, err, "trim: nothing was removed")
	}
	if err := done(); err != nil {
		return err
	}
	held, err := backup.Open(backup.Dir(folder))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, held.Close()) }()
	s, err := openSite(ctx, o, true, c.ErrOrStderr())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.close()) }()
	// With servers of one's own another process may be the intake already.
	if err := s.startIntake(ctx); err != nil && ledger.CodeOf(err) != ledger.InUse {
		return err
	}
	return s.trim(ctx, held, before, author, c.OutOrStdout())
}

// trim removes what is recorded, held in the backup and was received before a time.
func (s *site) trim(ctx context.Context, held *backup.Held, before time.Time, author string, stdout io.Writer) error {
	if err := refuseHeld(ctx, opened{s.ledger, s}); err != nil {
		return err
	}
	if err := held.Extends(ctx, s.store); err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "trim: nothing was removed")
	}
	stream, err := publisher{s.broker}.Stream(ctx)
	if err != nil {
		return err
	}
	state, err := s.broker.StreamState(ctx)
	if err != nil {
		return codedBroker(err, "stream")
	}
	// The last message that is held stays: by it the stream is known again.
	first, err := s.firstReceived(ctx, max(state.FirstSeq, 1), held.Handled(stream), before)
	if err != nil {
		return err
	}
	if first <= max(state.FirstSeq, 1) {
		_, err = fmt.Fprintf(stdout, "nothing to trim: the stream begins at message %d, and the backup holds it up to %d\n", state.FirstSeq, held.Handled(stream))
		return err
	}
	adopted, err := s.store.Adoptions(ctx)
	if err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "trim")
	}
	known, _ := adopted.Of(stream)
	at := held.Standing()
	err = s.store.Adopt(ctx, ledger.Adoption{Stream: stream, First: first, Again: known.Again, At: time.Now(), Author: author,
		Reason: fmt.Sprintf("trimmed: messages before %d are in a backup that was checked, of position %d with the root %x", first, at.Position, at.Root)})
	if err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "trim: nothing was removed")
	}
	if err := s.broker.Trim(ctx, first); err != nil {
		return codedBroker(err, "trim")
	}
	_, err = fmt.Fprintf(stdout, "%d messages removed; the stream begins at message %d\n", first-max(state.FirstSeq, 1), first)
	return err
}

// firstReceived returns the first message from first up to last that was received at
// a time or later, last when none was.
func (s *site) firstReceived(ctx context.Context, first, last uint64, at time.Time) (uint64, error) {
	for first < last {
		middle := first + (last-first)/2
		m, err := s.broker.Message(ctx, middle)
		if err != nil {
			return 0, codedBroker(err, "trim")
		}
		if m.Received.Before(at) {
			first = middle + 1
			continue
		}
		last = middle
	}
	return first, nil
}
