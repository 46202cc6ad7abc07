package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"spoilbook/events/wire"
	"spoilbook/services/engine"
	"spoilbook/services/ledger"
)

// emitBatch is how many events are handed over at once.
const emitBatch = 1000

func emitCommand() *cobra.Command {
	var o siteOptions
	var wait time.Duration
	c := &cobra.Command{
		Use:   "emit FILE",
		Short: "Send events from a file, one JSON object a line, and say what became of them",
		Long: `Send CloudEvents from a file with one JSON object a line (- is standard input)
through the broker, wait until each is recorded, and print how many were
recorded, duplicates, or quarantined. Sending the same file again changes
nothing. A line that is no valid event is quarantined whole with its reason.`,
		Example: `  spoilbook emit day.ndjson
  controller-export | spoilbook emit - --server http://127.0.0.1:8080`,
		Args: exactly(1, "a file, or - for standard input"),
		RunE: func(c *cobra.Command, args []string) error {
			in, closeIn, err := openInput(args[0])
			if err != nil {
				return err
			}
			defer closeIn()
			return withBook(c, o, writing, func(ctx context.Context, b book) error {
				fates, lines, err := emit(ctx, b, in, c.ErrOrStderr(), wait)
				printFates(c.OutOrStdout(), fates, lines)
				if err != nil {
					return err
				}
				return explainQuarantined(ctx, c.OutOrStdout(), b, fates)
			})
		},
	}
	addSiteFlags(c, &o)
	c.Flags().DurationVar(&wait, "wait", 10*time.Minute, "longest wait until all is recorded")
	return c
}

func openInput(path string) (io.Reader, func(), error) {
	if path == "-" {
		return engine.StandardInput(), func() {}, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, ledger.Wrap(ledger.NotFound, err, "emit")
	}
	return f, func() { _ = f.Close() }, nil // nothing was written to it
}

// emit submits every line of in, waits until all are recorded, and adds up what
// became of them. lines counts the events read.
func emit(ctx context.Context, b book, in io.Reader, progress io.Writer, wait time.Duration) (total ledger.Fates, lines int, err error) {
	bar := newProgress(progress, "sending", -1)
	scanner := bufio.NewScanner(in)
	scanner.Buffer(make([]byte, 64<<10), wire.MaxBytes+1<<10)
	var tickets []ledger.Ticket
	var batch []ledger.Message
	flush := func() error {
		if len(batch) == 0 {
			return nil
		}
		t, err := b.Submit(ctx, batch)
		if t.Count > 0 {
			tickets = append(tickets, t)
		}
		batch = batch[:0]
		return errors.Join(err, bar.Add(t.Count))
	}
	for err == nil && scanner.Scan() {
		line := bytes.TrimSpace(scanner.Bytes())
		if len(line) == 0 {
			continue
		}
		lines++
		batch = append(batch, ledger.MessageOf(bytes.Clone(line)))
		if len(batch) == emitBatch {
			err = flush()
		}
	}
	if err == nil {
		err = flush()
	}
	if scanErr := scanner.Err(); scanErr != nil && err == nil {
		err = ledger.Wrap(ledger.BadRequest, scanErr, "emit: after line %d", lines)
	}
	waiting, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	for _, t := range tickets {
		f, awaitErr := b.Await(waiting, t)
		if awaitErr != nil {
			return total, lines, errors.Join(err, awaitErr)
		}
		total = add(total, f)
	}
	return total, lines, errors.Join(err, bar.Finish())
}

func add(a, b ledger.Fates) ledger.Fates {
	return ledger.Fates{Recorded: a.Recorded + b.Recorded, Duplicates: a.Duplicates + b.Duplicates,
		Quarantined: a.Quarantined + b.Quarantined, Position: b.Position, Entries: append(a.Entries, b.Entries...)}
}

func printFates(w io.Writer, f ledger.Fates, lines int) {
	fmt.Fprintf(w, "%d events read: %d recorded, %d duplicate, %d quarantined; the ledger stands at position %d\n",
		lines, f.Recorded, f.Duplicates, f.Quarantined, f.Position)
}

// explainQuarantined prints why messages were quarantined, and makes that the
// exit status.
func explainQuarantined(ctx context.Context, w io.Writer, b book, f ledger.Fates) error {
	if f.Quarantined == 0 {
		return nil
	}
	for i, entry := range f.Entries {
		if i == 10 {
			fmt.Fprintf(w, "  … and %d more\n", f.Quarantined-10)
			break
		}
		list, err := b.Quarantine(ctx, ledger.QuarantineQuery{Entry: entry, All: true, Limit: 1})
		if err != nil {
			return err
		}
		for _, q := range list {
			fmt.Fprintf(w, "  entry %d  %s  %s\n", q.Entry, q.Code, q.Reason)
		}
	}
	return ledger.Fail(ledger.Unfinished, "%d events are quarantined", f.Quarantined)
}
