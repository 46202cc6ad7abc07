package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"spoilbook/services/broker"
	"spoilbook/services/highwater"
	"spoilbook/services/intake"
	"spoilbook/services/ledger"
)

func repairCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "repair",
		Short: "Make broker and store fit each other again after damage",
		Long: `Repair what a start refuses to go on with. Copy the data folder first. Nothing is
deleted: a folder that can not be used any more is moved aside within the data
folder. Who repaired and why is kept in the ledger.`,
	}
	group(c)
	c.AddCommand(repairBrokerCommand(), repairStoreCommand())
	return c
}

// repair is one run of a repair command.
type repair struct {
	*site
	author, note string
	out          io.Writer
	stderr       io.Writer
}

func repairBrokerCommand() *cobra.Command {
	var o siteOptions
	var author, note string
	c := &cobra.Command{
		Use:   "broker",
		Short: "Go on with a new stream, or take up the one that is there",
		Long: `Make the broker fit the ledger. A new stream that is sound is taken up as it is.
A stream that is short, has gaps or can not be read is moved aside and a new one
begun; what can still be read of it and is not recorded is put into the new one.
Every source is sent what is recorded of it, so that it sends the rest again.
Nothing of the ledger changes.`,
		Example: `  spoilbook repair broker --author "Yard office" --note "the disk of the broker was replaced"`,
		Args:    exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) (err error) {
			r := &repair{&site{options: o, log: o.logger(c.ErrOrStderr())}, author, note, c.OutOrStdout(), c.ErrOrStderr()}
			defer func() { err = errors.Join(err, r.close()) }()
			if err := r.openStore(c.Context(), r.stderr); err != nil {
				return err
			}
			return r.mendBroker(c.Context())
		},
	}
	addRepairFlags(c, &o, &author, &note)
	return c
}

// addRepairFlags adds the flags of what is repaired where it lies: a server that
// runs can not repair itself.
func addRepairFlags(c *cobra.Command, o *siteOptions, author, note *string) {
	c.Flags().StringVar(&o.data, "data", envOr("SPOILBOOK_DATA", "./spoilbook-data"), "data `folder` of the embedded broker and engine")
	addServerFlags(c, o)
	addAuthorFlags(c, author, note)
	if err := c.MarkFlagRequired("note"); err != nil {
		panic(err) // the flag is defined above
	}
}

// mendBroker repairs a broker whose store is open.
func (r *repair) mendBroker(ctx context.Context) error {
	err := r.openBroker(ctx)
	if ledger.CodeOf(err) == ledger.Damaged {
		return r.beginStream(ctx, err)
	}
	if err != nil {
		return err
	}
	st, err := r.standing(ctx)
	if ledger.CodeOf(err) == ledger.Damaged {
		return r.beginStream(ctx, err)
	}
	if err != nil {
		return err
	}
	_, why := st.Judge()
	switch st.RepairBroker() {
	case ledger.NewStream:
		return r.beginStream(ctx, why)
	case ledger.TakeStream:
		fmt.Fprintf(r.out, "found: %v\n", why)
		return r.takeUp(ctx)
	}
	if why != nil {
		return why
	}
	if st.Handled > 0 {
		if err := r.compareAll(ctx, &st); ledger.CodeOf(err) == ledger.Damaged {
			return r.beginStream(ctx, err)
		} else if err != nil {
			return err
		}
	}
	_, err = fmt.Fprintln(r.out, "broker and ledger fit each other; there is nothing to repair")
	return err
}

// compareChunk is how many messages are compared at a time.
const compareChunk = 20_000

// compareAll holds every recorded message that the broker has against the store.
func (s *site) compareAll(ctx context.Context, st *ledger.Standing) error {
	for first := max(st.First, 1); first <= st.Handled; first += compareChunk {
		if err := s.compare(ctx, st.Stream, first, min(first+compareChunk-1, st.Handled)); err != nil {
			return err
		}
	}
	return nil
}

// beginStream moves the broker's folder aside and begins a stream with what can be
// read of the old one beyond what is recorded.
func (r *repair) beginStream(ctx context.Context, why error) error {
	if r.options.nats.URL != "" {
		return ledger.Wrap(ledger.Damaged, why, "the stream of a NATS server of your own is not moved by this command: delete or rename it there, then run spoilbook repair broker again")
	}
	fmt.Fprintf(r.out, "found: %v\n", why)
	handled, err := r.handledOfFolder(ctx)
	if err != nil {
		return err
	}
	aside, err := r.moveAside(r.brokerFolder())
	if err != nil {
		return err
	}
	if err := r.openAnew(ctx, aside); err != nil {
		return err
	}
	if err := r.takeUp(ctx); err != nil {
		return err
	}
	n, lost, err := r.salvage(ctx, aside, handled)
	fmt.Fprintf(r.out, "%d messages that were received and not recorded were put into the new stream", n)
	if lost > 0 {
		fmt.Fprintf(r.out, "; %d bytes of the old one can not be read", lost)
	}
	fmt.Fprintln(r.out)
	return err
}

// openAnew opens a new broker with what the one moved aside holds besides events
// and receipts, which is who may sign in; without it where that is damaged too.
func (r *repair) openAnew(ctx context.Context, aside string) error {
	kept, err := broker.KeepOthers(aside, r.brokerFolder())
	if err != nil {
		return ledger.Wrap(ledger.Internal, err, "keep what the broker holds besides events")
	}
	if err = r.openBroker(ctx); ledger.CodeOf(err) != ledger.Damaged || len(kept) == 0 {
		return err
	}
	fmt.Fprintf(r.out, "%s can not be kept: %v\n", strings.Join(kept, ", "), err)
	if err := os.RemoveAll(r.brokerFolder()); err != nil { // made above, of copies
		return ledger.Wrap(ledger.Internal, err, "begin a new broker")
	}
	return r.openBroker(ctx)
}

// handledOfFolder returns how far the newest stream of the store was handled. The
// folder's own stream may not be able to say its name any more.
func (r *repair) handledOfFolder(ctx context.Context) (handled uint64, err error) {
	if r.broker != nil {
		var stream string
		if stream, err = (publisher{r.broker}).Stream(ctx); err == nil {
			handled, err = r.store.Handled(ctx, stream)
		}
		closing, cancel := context.WithTimeout(ctx, 20*time.Second)
		defer cancel()
		err = errors.Join(err, r.broker.Close(closing))
		r.broker = nil
		return handled, err
	}
	ends, err := r.store.StreamEnds(ctx)
	if err != nil || len(ends) == 0 {
		return 0, err
	}
	return ends[len(ends)-1].LastSeq, nil
}

// moveAside renames a folder and says so.
func (r *repair) moveAside(folder string) (string, error) {
	aside := folder + ".damaged-" + time.Now().UTC().Format("20060102T150405.000")
	if err := os.Rename(folder, aside); err != nil {
		return "", ledger.Wrap(ledger.Internal, err, "move %s aside", folder)
	}
	_, err := fmt.Fprintf(r.out, "moved %s to %s; delete it once nothing of it is wanted any more\n", folder, aside)
	return aside, err
}

// takeUp adopts the broker's stream and has the sources told what is recorded.
func (r *repair) takeUp(ctx context.Context) error {
	stream, err := publisher{r.broker}.Stream(ctx)
	if err != nil {
		return err
	}
	state, err := r.broker.StreamState(ctx)
	if err != nil {
		return codedBroker(err, "stream")
	}
	if err := r.adopt(ctx, ledger.Adoption{Stream: stream, First: state.FirstSeq}); err != nil {
		return err
	}
	in, err := intake.New(ctx, intake.Config{Store: r.store, Receipts: r.broker, Stream: stream, Logger: r.log})
	if err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "receipts")
	}
	n, err := in.SendAllReceipts(ctx)
	if err != nil {
		r.log.Warn("receipts", "error", err)
	}
	_, err = fmt.Fprintf(r.out, "the ledger goes on with the stream %s; %d sources were sent what is recorded of them\n", stream, n)
	return err
}

// adopt stores an adoption by whoever repairs, and takes the high water away, which
// speaks of what was before.
func (r *repair) adopt(ctx context.Context, a ledger.Adoption) error {
	a.At, a.Author, a.Reason = time.Now(), r.author, r.note
	if err := r.store.Adopt(ctx, a); err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "repair")
	}
	if !r.options.embedded() {
		return nil
	}
	return ledger.Wrap(ledger.Internal, highwater.Remove(r.options.data), "repair")
}

// salvage publishes what can be read of a folder beyond what was handled.
func (r *repair) salvage(ctx context.Context, aside string, handled uint64) (n int, lost int64, err error) {
	var batch []ledger.Message
	flush := func() error {
		seqs, err := publisher{r.broker}.Publish(ctx, batch)
		n, batch = n+len(seqs), batch[:0]
		return err
	}
	lost, err = broker.Salvage(ctx, aside, handled, func(d broker.Delivery) error {
		m := ledger.Message{Subject: d.Subject, Body: d.Body}
		if broker.CheckSource(m.Subject) != nil {
			m = ledger.MessageOf(m.Body) // as a client of its own may have published it
		}
		batch = append(batch, m)
		if len(batch) < emitBatch {
			return nil
		}
		return flush()
	})
	if err == nil && len(batch) > 0 {
		err = flush()
	}
	return n, lost, ledger.Wrap(ledger.BrokerDown, err, "put messages into the new stream")
}
