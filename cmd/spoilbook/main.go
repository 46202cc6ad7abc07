// Command spoilbook keeps the site operations ledger of vacuum-excavation trucks:
// it takes their events in over NATS, stores them in ClickHouse, and writes the
// spoil-disposal manifest, water use, time split and billable hours as workbooks.
//
// This package holds flags, configuration and wiring. Each command decodes its
// arguments, calls a use case and shows the answer; for example
//
//	spoilbook report water --from 2026-10-01 --to 2026-10-31 --tz Europe/Dublin -o water.xlsx
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"
	_ "time/tzdata" // so that time zones do not depend on the machine

	"github.com/spf13/cobra"

	"spoilbook/services/ledger"
)

// version is the program's version; releases set it at link time.
var version = "0.1.0"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	status := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(status)
}

// run executes one command line and returns its exit status.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	root := rootCommand()
	root.SetArgs(args)
	root.SetOut(stdout)
	root.SetErr(stderr)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return 0
	}
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		fmt.Fprintln(stderr, "spoilbook: stopped; what was received is safe, run the command again to go on")
		return 130
	}
	var usage *usageError
	if errors.As(err, &usage) {
		fmt.Fprintf(stderr, "spoilbook: %v\n  to do: see %s --help\n", err, strings.TrimSpace("spoilbook "+usage.command))
		return 2
	}
	outcome := ledger.OutcomeOf(ledger.CodeOf(err))
	fmt.Fprintf(stderr, "spoilbook: %v\n  to do: %s\n", err, outcome.Do)
	return outcome.Exit
}

// usageError is a command line that can not be understood.
type usageError struct {
	command string
	err     error
}

func (e *usageError) Error() string { return e.err.Error() }
func (e *usageError) Unwrap() error { return e.err }

func rootCommand() *cobra.Command {
	root := &cobra.Command{
		Use:   "spoilbook",
		Short: "The site operations ledger of vacuum-excavation trucks",
		Long: `Spoilbook records what vacuum-excavation trucks do as events, keeps them in a
ledger that is never overwritten, and computes from it the spoil-disposal
manifest, water use, the time split between decanting and full dumps, and
billable hours, as workbooks.

Every command that touches the ledger finds it in one of three ways:
  --data DIR                      a data folder of this machine (default ./spoilbook-data)
  --nats URL and --clickhouse URL servers of your own
  --server URL                    a spoilbook that is already running

Exit status: 0 done, 1 internal, 2 bad request, 3 not found, 4 held by another
process or already settled, 5 a server or the engine is not available, 6 stored
data is damaged, 7 some events were quarantined, 8 not signed in, or not allowed.`,
		SilenceUsage: true, SilenceErrors: true,
		PersistentPreRunE: func(c *cobra.Command, _ []string) error {
			if err := c.ValidateRequiredFlags(); err != nil {
				return &usageError{c.Name(), err}
			}
			return nil
		},
	}
	group(root)
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error { return &usageError{c.Name(), err} })
	root.AddCommand(serveCommand(), demoCommand(), emitCommand(), sheetCommand(), reportCommand(), explainCommand(), issueCommand(), issuedCommand(), adjustmentCommand(), eventsCommand(), rowsCommand(), asyncAPICommand(), sourcesCommand(),
		quarantineCommand(), registerCommand(), postingsCommand(), checkCommand(), rebuildCommand(), repairCommand(), backupCommand(), restoreCommand(), moveCommand(), trimCommand(), holdCommand(), peopleCommand(), simulateCommand(), versionCommand())
	return root
}

// group makes a command that only has others below it: alone it shows its help,
// and a name that it does not have is a mistake.
func group(c *cobra.Command) {
	c.RunE = func(c *cobra.Command, _ []string) error { return c.Help() }
	c.Args = func(c *cobra.Command, args []string) error {
		if len(args) == 0 {
			return nil
		}
		err := fmt.Errorf("%s has no command %q", c.CommandPath(), args[0])
		if meant := c.SuggestionsFor(args[0]); len(meant) > 0 {
			err = fmt.Errorf("%w; did you mean %s?", err, strings.Join(meant, " or "))
		}
		return &usageError{strings.TrimPrefix(strings.TrimPrefix(c.CommandPath(), "spoilbook"), " "), err}
	}
}

// exactly asks for n arguments, with a message that says which.
func exactly(n int, what string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) != n {
			return &usageError{c.Name(), fmt.Errorf("%s takes %s; found %d arguments", c.CommandPath(), what, len(args))}
		}
		return nil
	}
}
