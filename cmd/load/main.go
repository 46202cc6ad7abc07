// Command load drives a running spoilbook harder than trucks do, and says what
// came of it: how many events a second it took and recorded, how long a fresh
// event waited while another truck caught up, what was refused, how much memory
// the process took, and, by a count of its own, that nothing was lost or counted
// twice. It is no part of the program that people run: it starts that program as a
// process of its own, so that it is measured as it is. For example
//
//	go build -o spoilbook ./cmd/spoilbook
//	go run ./cmd/load --spoilbook ./spoilbook --catch-up 1000000
//
// prints progress, a table with a line for each profile, and one line of JSON. Its
// figures are good for comparing profiles of one run on one machine; they promise
// nothing about another. It ends with a status other than 0 when an event is lost,
// doubled or quarantined.
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
	"strings"
	"syscall"
	"text/tabwriter"
	"time"
)

// options are what the command line says.
type options struct {
	spoilbook, data, server, nats string
	pid                           int
	profiles                      string
	length                        time.Duration
	trucks, rate                  int
	catchUp, direct, largest      int
}

func main() {
	var o options
	flag.StringVar(&o.spoilbook, "spoilbook", "./spoilbook", "the `program` to start and measure")
	flag.StringVar(&o.data, "data", "", "data `folder` of the program that is started; one of its own, removed afterwards, when empty")
	flag.StringVar(&o.server, "server", "", "`URL` of a spoilbook that runs already, instead of starting one; it must know no other ledger's trucks")
	flag.StringVar(&o.nats, "nats", "", "`URL` of its broker, for the profiles that publish directly; with --server")
	flag.IntVar(&o.pid, "pid", 0, "`process` whose memory is told; with --server")
	flag.StringVar(&o.profiles, "profiles", strings.Join(names(), ","), "what to run, in this order")
	flag.DurationVar(&o.length, "length", 10*time.Second, "of the profiles that go on for a time")
	flag.IntVar(&o.trucks, "trucks", 20, "that send at the same time")
	flag.IntVar(&o.rate, "rate", 1000, "events a second of all trucks together in the steady profile; the burst is ten times that")
	flag.IntVar(&o.catchUp, "catch-up", 100_000, "events of the backlog that is handed over in windows")
	flag.IntVar(&o.direct, "direct", 100_000, "events of the backlog that is published without windows")
	flag.IntVar(&o.largest, "largest", 400, "events of the largest size")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, o, os.Stdout, os.Stderr)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "load:", err)
		os.Exit(1)
	}
}

// summary is the last line that the command prints.
type summary struct {
	Events   int      `json:"events"` // sent and received
	Recorded int      `json:"recorded"`
	Lost     int      `json:"lost"`
	Doubled  int      `json:"doubled"`
	Foreign  int      `json:"foreign"` // of our trucks, and never sent
	CountS   float64  `json:"countS"`  // how long the count took
	Profiles []result `json:"profiles"`
}

// run starts the program unless one runs, drives it, and counts.
func run(ctx context.Context, o options, stdout, stderr io.Writer) (err error) {
	t, err := newTarget(ctx, o, stderr)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, t.stop()) }()
	d, err := newDriver(ctx, t, o, stderr)
	if err != nil {
		return err
	}
	var s summary
	for _, name := range strings.Split(o.profiles, ",") {
		p, ok := profiles()[name]
		if !ok {
			return fmt.Errorf("there is no profile %q; there are %s", name, strings.Join(names(), ", "))
		}
		fmt.Fprintf(stderr, "%s …\n", name)
		r, err := d.measure(ctx, name, p)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		s.Profiles = append(s.Profiles, r)
	}
	fmt.Fprintln(stderr, "counting …")
	if err := d.count(ctx, &s); err != nil {
		return err
	}
	show(stdout, &s)
	if err := json.NewEncoder(stdout).Encode(s); err != nil {
		return err
	}
	if s.Lost+s.Doubled+s.Foreign > 0 || s.Recorded != s.Events {
		return fmt.Errorf("%d events were received, %d are recorded: %d lost, %d doubled, %d never sent", s.Events, s.Recorded, s.Lost, s.Doubled, s.Foreign)
	}
	return nil
}

// show writes the table of the profiles.
func show(w io.Writer, s *summary) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "PROFILE\tEVENTS\tRECEIVED/s\tRECORDED/s\tFRESH p50\tp95\tp99\tMAX\tREFUSED\tPEAK MB\t")
	for _, r := range s.Profiles {
		fmt.Fprintf(t, "%s\t%d\t%.0f\t%.0f\t%.0f ms\t%.0f\t%.0f\t%.0f\t%s\t%.0f\t\n", r.Name, r.Events, r.ReceivedPerS, r.RecordedPerS,
			r.P50MS, r.P95MS, r.P99MS, r.MaxMS, r.refusals(), r.PeakMB)
	}
	_ = t.Flush() // a table that can not be shown is followed by the same figures as JSON
	for _, r := range s.Profiles {
		if r.Note != "" {
			fmt.Fprintf(w, "%s: %s\n", r.Name, r.Note)
		}
	}
	fmt.Fprintf(w, "counted: %d received, %d recorded, %d lost, %d doubled\n", s.Events, s.Recorded, s.Lost, s.Doubled)
}
