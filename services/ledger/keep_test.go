package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
)

// counting is a store of the demo's month that has some of its events so far and counts those it is asked for.
type counting struct {
	ledger.Store
	mu     sync.Mutex
	all    []ledger.Record
	so     int // far
	read   int
	broken error
}

func (c *counting) Head(context.Context) (ledger.Head, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return ledger.Head{Position: uint64(c.so)}, nil
}

func (c *counting) Read(ctx context.Context, sel ledger.Selection, each func(*ledger.Record) error) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.broken != nil {
		return c.broken
	}
	return shelf{records: c.all[:c.so]}.Read(ctx, sel, func(r *ledger.Record) error { c.read++; return each(r) })
}

func monthStore(t *testing.T) *counting {
	t.Helper()
	month, err := demo.Build()
	if err != nil {
		t.Fatal(err)
	}
	c := &counting{}
	for _, batch := range month.Batches {
		for i := range batch.Events {
			e := &batch.Events[i]
			body, err := wire.Encode(e)
			if err != nil {
				t.Fatal(err)
			}
			c.all = append(c.all, ledger.Record{Position: uint64(len(c.all) + 1), Source: e.Source, ID: e.ID, Seq: e.Seq, Kind: e.Kind(), Truck: e.Truck, Job: e.Job,
				Operator: e.Operator, Occurred: e.Occurred, Recorded: time.UnixMilli(e.Occurred.UnixMS), Body: body, Hash: chain.LeafHash(body)})
		}
	}
	c.so = len(c.all)
	return c
}

// A ledger that keeps events says the same as one that does not, of all trucks and of one, now and at an earlier position, while it grows, asked by
// many at once; and it reads each event once.
func TestKeptEventsSayTheSame(t *testing.T) {
	c := monthStore(t)
	c.so = len(c.all) / 2
	keeps, reads := ledger.New(ledger.Config{Store: c, Keep: 1 << 20}), ledger.New(ledger.Config{Store: shelf{records: c.all}})
	period, err := reads.PeriodOf("2026-10-01", "2026-10-31", demo.ZoneName)
	if err != nil {
		t.Fatal(err)
	}
	compare := func(name string, truck events.TruckID, upTo uint64) error {
		q := ledger.ReportQuery{Name: name, Period: period, UpTo: upTo}
		q.Filter.Truck = truck
		got, err := keeps.Report(t.Context(), q)
		if err != nil {
			return err
		}
		want, err := reads.Report(t.Context(), q)
		if err != nil {
			return err
		}
		if g, w := told(got), told(want); g != w {
			return fmt.Errorf("%s of %q up to %d: %s", name, truck, upTo, firstDifference(w, g))
		}
		return nil
	}
	for round := range 2 {
		var all sync.WaitGroup
		for _, name := range ledger.ReportNames() {
			for _, truck := range []events.TruckID{"", "TM-02"} {
				for _, upTo := range []uint64{uint64(c.so), uint64(c.so) - 40} {
					all.Go(func() {
						if err := compare(name, truck, upTo); err != nil {
							t.Error(err)
						}
					})
				}
			}
		}
		all.Wait()
		if c.read != c.so {
			t.Errorf("round %d: %d events were read of %d", round, c.read, c.so)
		}
		c.so = len(c.all)
	}
}

// More events than may be kept are read every time, and what is damaged or can not be read is told and not kept.
func TestWhatIsNotKept(t *testing.T) {
	c := monthStore(t)
	small := ledger.New(ledger.Config{Store: c, Keep: uint64(len(c.all)) - 1})
	for round := range 2 {
		if _, err := small.Journal(t.Context(), "", uint64(len(c.all))); err != nil {
			t.Fatal(err)
		}
		if want := (round + 1) * len(c.all); c.read != want {
			t.Errorf("round %d: %d events were read, want %d", round, c.read, want)
		}
	}
	l := ledger.New(ledger.Config{Store: c, Keep: 1 << 20})
	c.broken = errors.New("the store is away")
	if _, err := l.Journal(t.Context(), "", 100); ledger.CodeOf(err) != ledger.StoreDown {
		t.Errorf("a store that is away: %v", err)
	}
	c.broken = nil
	sound := c.all[7]
	c.all[7].Body = []byte("{}")
	if _, err := l.Journal(t.Context(), "", 100); ledger.CodeOf(err) != ledger.Damaged {
		t.Errorf("a changed event: %v", err)
	}
	c.all[7] = c.all[8]
	if _, err := l.Journal(t.Context(), "", 100); ledger.CodeOf(err) != ledger.Damaged {
		t.Errorf("a position that is there twice: %v", err)
	}
	c.all[7] = sound
	if j, err := l.Journal(t.Context(), "", 100); err != nil || j.Count.Events != 100 {
		t.Errorf("after all that: %v", err)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := ledger.New(ledger.Config{Store: c, Keep: 1 << 20}).Journal(ended, "", 100); ledger.CodeOf(err) != ledger.TimedOut {
		t.Errorf("nobody waits any more: %v", err)
	}
}

// Warm reads ahead, keeps up with what comes, and ends when it is told to.
func TestWarm(t *testing.T) {
	c := monthStore(t)
	c.so = 100
	l := ledger.New(ledger.Config{Store: c, Keep: 1 << 20})
	ctx, cancel := context.WithCancel(t.Context())
	var done sync.WaitGroup
	done.Go(func() { l.Warm(ctx) })
	for _, so := range []int{100, 300} {
		c.mu.Lock()
		c.so = so
		c.mu.Unlock()
		for until := time.Now().Add(time.Minute); ; time.Sleep(10 * time.Millisecond) {
			c.mu.Lock()
			read := c.read
			c.mu.Unlock()
			if read == so {
				break
			}
			if time.Now().After(until) {
				t.Fatalf("%d of %d events were read ahead", read, so)
			}
		}
	}
	cancel()
	done.Wait()
	ledger.New(ledger.Config{Store: c}).Warm(t.Context()) // has nothing to do and ends
}
