package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"

	"spoilbook/services/broker"
	"spoilbook/services/ledger"
)

func checkCommand() *cobra.Command {
	var o siteOptions
	var format string
	c := &cobra.Command{
		Use:   "check",
		Short: "Read everything that is stored and hold every part against every other",
		Long: `Read the whole ledger: every event against its hash, its columns, its block, and
the Merkle root and frontier stored with every block; every quarantined message
and settlement; the trial balance of every truck; and every message that the
broker still has against what the ledger has of it. Nothing is changed. It ends
with exit status 6 and the first wrong thing of each part, with what repairs it.

rebuild reads the events and the roots alone, and can be asked of a server that
runs; check opens the stores themselves.`,
		Example: `  spoilbook check --data ./spoilbook-data
  spoilbook check --data /srv/backup/spoilbook-2026-10-31 --format json`,
		Args: exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) (err error) {
			if format != "text" && format != "json" {
				return &usageError{"check", fmt.Errorf("--format: found %q; allowed: text, json", format)}
			}
			s := &site{options: o, log: o.logger(c.ErrOrStderr())}
			defer func() { err = errors.Join(err, s.close()) }()
			if err := s.openStore(c.Context(), c.ErrOrStderr()); err != nil {
				return err
			}
			found, err := s.check(c.Context(), c.ErrOrStderr())
			if err != nil {
				return err
			}
			if err := printChecked(c.OutOrStdout(), &found, format); err != nil {
				return err
			}
			return found.Err()
		},
	}
	c.Flags().StringVar(&o.data, "data", envOr("SPOILBOOK_DATA", "./spoilbook-data"), "data `folder` of the embedded broker and engine")
	addServerFlags(c, &o)
	c.Flags().StringVar(&format, "format", "text", "text or json")
	return c
}

// check checks the store and, where it can be opened, the broker.
func (s *site) check(ctx context.Context, stderr io.Writer) (ledger.Checked, error) {
	part, brokerErr := s.checkBroker(ctx)
	if brokerErr != nil && ledger.CodeOf(brokerErr) != ledger.Damaged {
		return ledger.Checked{}, brokerErr
	}
	config := ledger.CheckConfig{Store: s.store, Progress: partProgress(stderr)}
	if s.broker != nil {
		st, err := s.standing(ctx)
		if brokerErr = err; err == nil {
			config.Standing, config.Stream = &st, messages{s.broker}
		}
	}
	found, err := ledger.Check(ctx, config)
	if brokerErr != nil {
		part.Wrong = brokerErr.Error() + "; run spoilbook repair broker"
	}
	found.Parts = append(found.Parts, part)
	return found, err
}

// checkBroker reads the broker's message files before the server may touch them,
// and opens it. A folder that is not there is not made.
func (s *site) checkBroker(ctx context.Context) (ledger.CheckPart, error) {
	part := ledger.CheckPart{Part: "broker", Says: "records of the broker's message files with their checksums"}
	if s.options.nats.URL == "" {
		if _, err := os.Stat(s.brokerFolder()); errors.Is(err, fs.ErrNotExist) {
			if known, err := s.store.Adoptions(ctx); err != nil || len(known) == 0 {
				return part, ledger.Wrap(ledger.StoreDown, err, "streams")
			}
			return part, ledger.Fail(ledger.Damaged, "there is no folder %s: what was received and not recorded is lost, unless its sources still have it", s.brokerFolder())
		}
		scanned, err := broker.Scan(ctx, s.brokerFolder(), 0)
		part.Checked = scanned.Messages
		if err != nil {
			return part, codedBroker(err, "broker")
		}
	}
	return part, s.openBroker(ctx)
}

// partProgress shows one bar for each part of a check.
func partProgress(stderr io.Writer) func(part string, done, total uint64) {
	var bar *progressbar.ProgressBar
	shown := ""
	return func(part string, done, total uint64) {
		if part != shown {
			bar, shown = newProgress(stderr, part, int64(total)), part
		}
		bar.ChangeMax64(int64(total))
		if err := bar.Set64(int64(done)); err != nil {
			shown = "" // a bar that can not be drawn stops nothing
		}
	}
}

func printChecked(w io.Writer, found *ledger.Checked, format string) error {
	if format == "json" {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		return e.Encode(found)
	}
	for _, p := range found.Parts {
		mark := "ok   "
		if p.Wrong != "" {
			mark = "WRONG"
		}
		if _, err := fmt.Fprintf(w, "%s  %s\n", mark, p); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintf(w, "position %d, root %s\n", found.Position, found.Root)
	return err
}
