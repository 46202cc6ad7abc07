package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"spoilbook/services/ledger"
	"spoilbook/services/sim"
)

func simulateCommand() *cobra.Command {
	var seed uint64
	var runs, days int
	c := &cobra.Command{
		Use:   "simulate",
		Short: "Simulate trucks, links, broker and store with faults, and look for a broken promise",
		Long: `Run the intake for simulated days among lost, late, repeated and reordered
messages, trucks offline, clocks that jump, full disks, torn writes, lost answers
and crashes of every part, and have an auditor of its own judge whether an event
was lost, counted twice, or damaged without notice. Each seed is one run and
always the same run. It ends with one line of JSON; the exit status is not 0 when
a promise broke, and the command that shows that run again is printed.`,
		Example: "  spoilbook simulate --seed 1 --runs 500",
		Args:    exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			if runs < 1 || days < 1 || days > 366 {
				return &usageError{c.Name(), fmt.Errorf("--runs %d and --days %d: at least 1 each, and at most 366 days", runs, days)}
			}
			bar := newProgress(c.ErrOrStderr(), "simulating", int64(runs))
			total := sim.Campaign(c.Context(), seed, runs, sim.Options{Days: days}, func(r sim.Result) {
				_ = bar.Add(1) // a bar that can not be drawn is no reason to stop
				if r.Broke() {
					showBroken(c.ErrOrStderr(), r)
				}
			})
			if err := bar.Finish(); err != nil {
				return err
			}
			if err := json.NewEncoder(c.OutOrStdout()).Encode(total); err != nil {
				return err
			}
			if len(total.Failed) > 0 {
				again := sim.Result{Seed: total.Failed[0], Days: days}
				return ledger.Fail(ledger.Internal, "simulate: %d promises broke; see it again with: %s", total.Violations, again.Command())
			}
			return c.Context().Err()
		},
	}
	f := c.Flags()
	f.Uint64Var(&seed, "seed", 1, "first seed")
	f.IntVar(&runs, "runs", 100, "how many seeds, one run each")
	f.IntVar(&days, "days", 3, "simulated days of work and faults in each run")
	return c
}

// showBroken writes what broke in a run, with the end of its trace.
func showBroken(w io.Writer, r sim.Result) {
	fmt.Fprintf(w, "\n%s\nseed %d: %s\n  see it again: %s\n", strings.Join(r.Tail, "\n"), r.Seed, r.First, r.Command())
}
