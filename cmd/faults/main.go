// Command faults lets real processes of a ledger fail in every way that it can
// think of, and counts what is lost, what counts twice, and what damage goes
// without a word. It builds spoilbook and a NATS server from this module, runs
// them on loopback and in a temporary folder, and has the sources of the invented
// month send their events through all of it:
//
//   - processes are killed, told to stop and halted, alone and together, at
//     moments that the seed spreads over the load, and started again;
//   - the disk is full for a while; NATS servers of a cluster lose each other;
//   - clients break off, lose patience, and send again;
//   - files of a stopped ledger are changed, cut short, deleted and set back;
//   - readers and writers note what they were told while processes are killed, and
//     one log must be able to explain all of it.
//
// After each round everything that a source accepted is recorded once and every
// report reads as it does in a run without a fault; or the damage was named. For
// example
//
//	go run ./cmd/faults --seed 1 --rounds 3 --minutes 10 --markdown faults.md
//
// writes a table with a row for each kind of fault, and one line of JSON. What
// broke is named with the command that shows it again, and the exit status is 1.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime"
	"syscall"
	"time"
)

func main() {
	err := command(os.Args[1:], os.Stdout, os.Stderr)
	if err != nil {
		fmt.Fprintln(os.Stderr, "faults:", err)
		os.Exit(1)
	}
}

// wholeMonth is more events than the month has.
const wholeMonth = 1 << 20

// command runs what the arguments ask for.
func command(args []string, stdout, stderr io.Writer) error {
	if len(args) == 3 && args[0] == standName {
		return stand(args[1], args[2])
	}
	p, markdown, err := parse(args, stderr)
	if err != nil {
		return err
	}
	ctx, cancel := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer cancel()
	dir, err := os.MkdirTemp("", "faults-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	fmt.Fprintln(stderr, "building, and running the month without a fault")
	st, err := newStage(ctx, dir, p.events)
	if err != nil {
		return err
	}
	r, err := p.run(ctx, st, stderr)
	if err != nil {
		return err
	}
	return errors.Join(r.write(stdout, markdown), r.verdict())
}

// parse reads the flags.
func parse(args []string, stderr io.Writer) (p plan, markdown string, err error) {
	f := flag.NewFlagSet("faults", flag.ContinueOnError)
	f.SetOutput(stderr)
	f.Uint64Var(&p.seed, "seed", 1, "first seed")
	f.IntVar(&p.rounds, "rounds", 1, "rounds of each kind of fault, each with a seed of its own")
	minutes := f.Int("minutes", 0, "begin no round after so many minutes; 0 for no end")
	f.StringVar(&p.only, "only", "", "only the kind of fault of this name")
	f.IntVar(&p.harms, "harms", 4, "rounds of each kind of harm to files, for each round of the other kinds")
	f.IntVar(&p.events, "events", wholeMonth, "how many of the month's events, besides its register, a round sends at most")
	f.IntVar(&p.parallel, "parallel", 2*runtime.GOMAXPROCS(0), "rounds at once")
	f.IntVar(&p.sims, "simulate", 100, "seeds of the simulation, unless --only is given")
	f.StringVar(&markdown, "markdown", "", "`file` for the table")
	if err := f.Parse(args); err != nil {
		return p, "", err
	}
	known := p.only == ""
	for _, k := range kinds() {
		known = known || p.only == k.Name
	}
	if f.NArg() > 0 || p.rounds < 1 || p.parallel < 1 || p.events < 30 || p.harms < 1 || p.sims < 0 || *minutes < 0 || !known {
		for _, k := range kinds() {
			fmt.Fprintf(stderr, "  %s\n", k.Name)
		}
		return p, "", fmt.Errorf("--rounds %d, --parallel %d, --events %d, --harms %d, --simulate %d, --minutes %d, --only %q, %q: at least one round at a time, 30 events, and one of the kinds above",
			p.rounds, p.parallel, p.events, p.harms, p.sims, *minutes, p.only, f.Args())
	}
	p.longest = time.Duration(*minutes) * time.Minute
	if p.only != "" {
		p.sims = 0
	}
	return p, markdown, nil
}

// write writes the table to a file, if one is named, and the JSON line.
func (r *result) write(stdout io.Writer, markdown string) error {
	if markdown != "" {
		f, err := os.Create(markdown)
		if err != nil {
			return err
		}
		if err := errors.Join(r.table(f), f.Close()); err != nil {
			return err
		}
	}
	return json.NewEncoder(stdout).Encode(r)
}

// verdict fails when a promise broke.
func (r *result) verdict() error {
	if len(r.Broken) == 0 {
		return nil
	}
	return fmt.Errorf("%d promises broke; see the first again with: %s", len(r.Broken), r.Broken[0].Again)
}
