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

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"

	"spoilbook/events/wire"
	"spoilbook/services/engine"
	"spoilbook/services/ledger"
)

// emitBatch is how many events are handed over at once, and emitAhead how many such
// batches are on their way to the ledger at most: a backlog waits in the file, not
// in the stream before the fresh events of others.
const (
	emitBatch = 1000
	emitAhead = 8
)

// recordPatience is how long commands that send little wait until it is recorded,
// and failedPatience how long after a failure.
const (
	recordPatience = 2 * time.Minute
	failedPatience = 10 * time.Second
)

func emitCommand() *cobra.Command {
	var o siteOptions
	var wait time.Duration
	var p paperOptions
	c := &cobra.Command{
		Use:   "emit FILE",
		Short: "Send events from a file, one JSON object a line, or a filled-in workbook, and say what became of them",
		Long: `Send CloudEvents from a file with one JSON object a line (- is standard input)
through the broker, wait until each is recorded, and print how many were
recorded, duplicates, or quarantined. Sending the same file again changes
nothing. A line that is no valid event is quarantined whole with its reason.

A file whose name ends in .xlsx is a form of spoilbook sheet that was filled in.
Everything that is wrong in it is told by sheet and cell, and nothing of it is
recorded unless all is right. Lines that say something else than before are
corrected with --reason and --author.`,
		Example: `  spoilbook emit day.ndjson
  spoilbook emit day.xlsx --look
  controller-export | spoilbook emit - --server http://127.0.0.1:8080`,
		Args: exactly(1, "a file, or - for standard input"),
		RunE: func(c *cobra.Command, args []string) error {
			if isWorkbook(args[0]) {
				wanted := writing
				if p.look {
					wanted = reading
				}
				return withBook(c, o, wanted, func(ctx context.Context, b book) error {
					return emitWorkbook(ctx, b, args[0], p, wait, c.OutOrStdout())
				})
			}
			in, closeIn, err := openInput(args[0])
			if err != nil {
				return err
			}
			defer closeIn()
			return withBook(c, o, writing, func(ctx context.Context, b book) error {
				fates, lines, err := emit(ctx, b, in(), c.ErrOrStderr(), wait)
				if err == nil || fates.Position > 0 {
					printFates(c.OutOrStdout(), fates, lines)
				}
				if err != nil {
					return err
				}
				return explainQuarantined(ctx, c.OutOrStdout(), b, fates)
			})
		},
	}
	addSiteFlags(c, &o)
	p.flags(c)
	c.Flags().DurationVar(&wait, "wait", 10*time.Minute, "longest wait until all are recorded")
	return c
}

// openInput opens a file before anything else is opened. Standard input is asked
// for only when it is read: opening an engine moves it.
func openInput(path string) (input func() io.Reader, closeInput func(), err error) {
	if path == "-" {
		return func() io.Reader { return engine.StandardInput() }, func() {}, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, ledger.Wrap(ledger.NotFound, err, "emit")
	}
	return func() io.Reader { return f }, func() { _ = f.Close() }, nil // nothing was written to it
}

// emission is what was handed over of a file so far.
type emission struct {
	b       book
	bar     *progressbar.ProgressBar
	batch   []ledger.Message
	wait    time.Duration
	tickets []ledger.Ticket // not yet awaited, at most emitAhead
	total   ledger.Fates    // of those awaited
	lines   int             // that held something
	handed  int             // to the broker
}

// emit submits every line of in, waits until all are recorded, and adds up what
// became of them. lines counts the events read. What was handed over before a
// failure is still waited for, but not for long.
func emit(ctx context.Context, b book, in io.Reader, progress io.Writer, wait time.Duration) (total ledger.Fates, lines int, err error) {
	m := &emission{b: b, bar: newProgress(progress, "sending", -1), wait: wait}
	if err = m.send(ctx, in); err != nil {
		wait = min(wait, failedPatience)
	}
	waiting, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	for len(m.tickets) > 0 {
		if awaitErr := m.await(waiting); awaitErr != nil {
			return m.total, m.lines, errors.Join(err, awaitErr)
		}
	}
	return m.total, m.lines, errors.Join(err, m.bar.Finish())
}

// await waits until the oldest batch on its way is recorded.
func (m *emission) await(ctx context.Context) error {
	f, err := m.b.Await(ctx, m.tickets[0])
	if err != nil {
		return ledger.Wrap(ledger.TimedOut, err, "emit: %d of %d events read were handed over and are safe; it is not known that all are recorded", m.handed, m.lines)
	}
	m.tickets, m.total = m.tickets[1:], add(m.total, f)
	return nil
}

// send hands over all lines in batches.
func (m *emission) send(ctx context.Context, in io.Reader) error {
	scanner := bufio.NewScanner(in)
	scanner.Buffer(make([]byte, 64<<10), wire.MaxBytes+1<<10)
	number := 0
	for scanner.Scan() {
		number++
		line := bytes.TrimSpace(scanner.Bytes())
		if len(line) == 0 {
			continue
		}
		if len(line) > wire.MaxBytes {
			return errors.Join(tooLong(number), m.flush(ctx))
		}
		m.lines++
		m.batch = append(m.batch, ledger.MessageOf(bytes.Clone(line)))
		if len(m.batch) == emitBatch {
			if err := m.flush(ctx); err != nil {
				return err
			}
		}
	}
	err := scanner.Err()
	switch {
	case errors.Is(err, bufio.ErrTooLong):
		err = tooLong(number + 1)
	case err != nil:
		err = ledger.Wrap(ledger.BadRequest, err, "emit: after line %d", number)
	}
	return errors.Join(err, m.flush(ctx))
}

func tooLong(line int) error {
	return ledger.Fail(ledger.TooLarge, "emit: line %d is longer than the %d bytes an event may have; nothing behind it was sent", line, wire.MaxBytes)
}

func (m *emission) flush(ctx context.Context) error {
	if len(m.batch) == 0 {
		return nil
	}
	if len(m.tickets) == emitAhead {
		waiting, cancel := context.WithTimeout(ctx, m.wait)
		defer cancel()
		if err := m.await(waiting); err != nil {
			return err
		}
	}
	t, err := m.b.Submit(ctx, m.batch)
	if t.Count > 0 {
		m.tickets, m.handed = append(m.tickets, t), m.handed+t.Count
	}
	m.batch = m.batch[:0]
	return errors.Join(err, m.bar.Add(t.Count))
}

// shownEntries is how many quarantine entries are explained.
const shownEntries = 10

func add(a, b ledger.Fates) ledger.Fates {
	return ledger.Fates{Recorded: a.Recorded + b.Recorded, Duplicates: a.Duplicates + b.Duplicates,
		Quarantined: a.Quarantined + b.Quarantined, Position: b.Position, Entries: append(a.Entries, b.Entries[:min(len(b.Entries), shownEntries-len(a.Entries))]...)}
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
	f.Entries = f.Entries[:min(len(f.Entries), shownEntries)]
	for _, entry := range f.Entries {
		list, err := b.Quarantine(ctx, ledger.QuarantineQuery{Entry: entry, All: true, Limit: 1})
		if err != nil {
			return err
		}
		for _, q := range list {
			fmt.Fprintf(w, "  entry %d  %s  %s\n", q.Entry, q.Code, q.Reason)
		}
	}
	if more := f.Quarantined - uint64(len(f.Entries)); more > 0 {
		fmt.Fprintf(w, "  … and %d more\n", more)
	}
	return ledger.Fail(ledger.Unfinished, "%d events are quarantined", f.Quarantined)
}
