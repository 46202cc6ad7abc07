package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"github.com/spf13/cobra"

	"spoilbook/services/audit"
	"spoilbook/services/broker"
	"spoilbook/services/ledger"
)

func repairStoreCommand() *cobra.Command {
	var o siteOptions
	var author, note string
	var anew bool
	c := &cobra.Command{
		Use:   "store",
		Short: "Take in again from the broker what the store has lost",
		Long: `Make the store hold again what the broker says was recorded: the store's folder
was lost, or is an older copy. The broker's stream must be whole; the events come
back at the positions they had and under the same root. What is not in the stream
does not come back: how quarantined messages were settled, and when each event was
recorded. With --anew a store that can not be opened is moved aside first.`,
		Example: `  spoilbook repair store --author "Yard office" --note "engine folder restored from last week's copy"
  spoilbook repair store --anew --author "Yard office" --note "broken parts after the disk failed"`,
		Args: exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) (err error) {
			r := &repair{&site{options: o, log: o.logger(c.ErrOrStderr())}, author, note, c.OutOrStdout(), c.ErrOrStderr()}
			defer func() { err = errors.Join(err, r.close()) }()
			return r.refill(c.Context(), anew)
		},
	}
	addRepairFlags(c, &o, &author, &note)
	c.Flags().BoolVar(&anew, "anew", false, "move the engine's folder aside and take everything in again")
	return c
}

// refill opens what there is and has the intake take in what the store lacks.
func (r *repair) refill(ctx context.Context, anew bool) error {
	if anew {
		if err := r.clearEngine(ctx); err != nil {
			return err
		}
	}
	if err := r.open(ctx, true, r.stderr); err != nil {
		return err
	}
	st, err := r.standing(ctx)
	if err != nil {
		return err
	}
	_, why := st.Judge()
	if why == nil {
		_, err := fmt.Fprintln(r.out, "broker and ledger fit each other; there is nothing to repair")
		return err
	}
	if err := st.CanRefill(); err != nil {
		return err
	}
	if st.RepairBroker() != ledger.NothingToRepair && (st.Head.Position > 0 || len(st.Adoptions) > 0) {
		return why // it is the broker
	}
	fmt.Fprintf(r.out, "found: %v\n", why)
	if err := r.adopt(ctx, ledger.Adoption{Stream: st.Stream, First: st.First, Again: max(st.Acknowledged, st.HighWater.Handled)}); err != nil {
		return err
	}
	return r.takeInAgain(ctx, &st)
}

// clearEngine moves the engine's folder aside, but only when the broker has every
// message from the first.
func (r *repair) clearEngine(ctx context.Context) (err error) {
	if r.options.nats.URL != "" || r.options.clickhouse != "" {
		return ledger.Fail(ledger.BadRequest, "repair store --anew is for the embedded broker and engine; empty the tables of a ClickHouse server yourself, then run spoilbook repair store")
	}
	if r.lock, err = lockFolder(r.options.data); err != nil {
		return err
	}
	s, err := broker.Scan(ctx, r.brokerFolder(), 0)
	if err != nil {
		return codedBroker(err, "the broker's messages can not be taken in again; restore from a backup")
	}
	if s.First != 1 || s.Messages != s.Last {
		return ledger.Fail(ledger.Damaged, "the broker holds %d messages, %d to %d: not every one from the first. Restore from a backup", s.Messages, s.First, s.Last)
	}
	if _, err := os.Stat(r.engineFolder()); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	_, err = r.moveAside(r.engineFolder())
	return err
}

// takeInAgain runs the intake until the store has what the broker has, and holds
// the result against the high water.
func (r *repair) takeInAgain(ctx context.Context, st *ledger.Standing) error {
	if err := r.startIntake(ctx); err != nil {
		return err
	}
	bar := newProgress(r.stderr, "taking in", int64(st.Last))
	for handled := uint64(0); handled < st.Last; {
		var err error
		if handled, err = r.store.Handled(ctx, st.Stream); err != nil {
			return ledger.Wrap(ledger.StoreDown, err, "repair store")
		}
		if err := bar.Set64(int64(handled)); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-r.intakeDone:
			r.intakeDone <- nil // close still reads it
			return ledger.Wrap(ledger.Internal, cmpErr(err, errors.New("the intake ended")), "repair store")
		case <-time.After(50 * time.Millisecond):
		}
	}
	head, err := r.store.Head(ctx)
	if err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "repair store")
	}
	fmt.Fprintf(r.out, "taken in again: the ledger stands at position %d under the root %x\n", head.Position, head.Root)
	return r.againstHighWater(ctx, &st.HighWater, head.Position)
}

// againstHighWater says whether the events that were there are there again.
func (r *repair) againstHighWater(ctx context.Context, high *ledger.HighWater, position uint64) error {
	if high.Position == 0 {
		_, err := fmt.Fprintln(r.out, "nothing says how far it had come; hold the root against one you have kept")
		return err
	}
	if position < high.Position {
		return ledger.Fail(ledger.Damaged, "the ledger stood at position %d before and stands at %d now: the rest came from a stream that is gone. Restore from a backup", high.Position, position)
	}
	root, err := r.rootOver(ctx, high.Position)
	if err != nil {
		return err
	}
	if root != high.Root {
		return ledger.Fail(ledger.Damaged, "the first %d events have the root %x now and had %x before: they are not the same. Restore from a backup", high.Position, root, high.Root)
	}
	_, err = fmt.Fprintf(r.out, "the first %d events have the root they had at %s\n", high.Position, high.At.UTC().Format(time.RFC3339))
	return err
}

// rootOver computes the Merkle root over the first events.
func (s *site) rootOver(ctx context.Context, position uint64) (root [32]byte, err error) {
	tree, err := audit.Restore(0, nil)
	if err != nil {
		return root, err
	}
	const chunk = 100_000
	for at := uint64(0); at < position; at = min(at+chunk, position) {
		hashes, err := s.store.Hashes(ctx, at+1, min(at+chunk, position))
		if err != nil {
			return root, ledger.Wrap(ledger.StoreDown, err, "read hashes")
		}
		for _, h := range hashes {
			if err := tree.Append(h); err != nil {
				return root, err
			}
		}
	}
	return tree.Root()
}
