package sim

import (
	"context"
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"spoilbook/services/intake"
	"spoilbook/services/ledger"
)

// spoiler is a store that changes what goes through it.
type spoiler struct {
	intake.Store
	block func(*ledger.Block)
	head  func(*ledger.Head)
}

func (s spoiler) Append(ctx context.Context, b *ledger.Block) error {
	own := *b
	own.Records, own.Quarantined = slices.Clone(b.Records), slices.Clone(b.Quarantined)
	if s.block != nil {
		s.block(&own)
	}
	return s.Store.Append(ctx, &own)
}

func (s spoiler) Head(ctx context.Context) (ledger.Head, error) {
	h, err := s.Store.Head(ctx)
	if s.head != nil {
		s.head(&h)
	}
	return h, err
}

func spoiledBlocks(f func(*ledger.Block)) Options {
	return Options{WrapStore: func(s intake.Store) intake.Store { return spoiler{Store: s, block: f} }}
}

// deafFeed leaves out every 20th message, or acknowledges before anything is stored.
type deafFeed struct {
	intake.Feed
	seen  *int
	early bool
}

func (f deafFeed) Fetch(ctx context.Context, limit int, wait time.Duration) ([]ledger.Delivery, error) {
	ds, err := f.Feed.Fetch(ctx, limit, wait)
	if f.early && len(ds) > 0 {
		return ds, f.Ack(ctx, ds[len(ds)-1].StreamSeq)
	}
	return slices.DeleteFunc(ds, func(ledger.Delivery) bool { *f.seen++; return *f.seen%20 == 0 && !f.early }), err
}

// liar is a post office that changes receipts.
type liar struct {
	intake.Receipts
	change func(map[string]any)
}

func (l liar) PublishReceipt(ctx context.Context, source string, body []byte) error {
	var r map[string]any
	if err := json.Unmarshal(body, &r); err != nil {
		return err
	}
	l.change(r)
	body, err := json.Marshal(r)
	if err != nil {
		return err
	}
	return l.Receipts.PublishReceipt(ctx, source, body)
}

func changedReceipts(f func(map[string]any)) Options {
	return Options{WrapReceipts: func(r intake.Receipts) intake.Receipts { return liar{r, f} }}
}

// mutation is a fault that the auditor must find, and how it says so.
type mutation struct {
	name  string
	o     Options
	wants string // in the first violation
	count func(Result) int
}

func dropLast(b *ledger.Block) {
	if n := len(b.Records); n > 3 {
		b.Records = b.Records[:n-1]
	}
}

func doubleLast(b *ledger.Block) {
	if n := len(b.Records); n > 0 {
		again := b.Records[n-1]
		again.Position++
		b.Records = append(b.Records, again)
	}
}

func forgetOtherBodies(b *ledger.Block) {
	b.Quarantined = slices.DeleteFunc(b.Quarantined, func(q ledger.Quarantined) bool { return q.Code == intake.RefuseOtherBody })
}

func mutations() []mutation {
	lost := func(r Result) int { return r.Lost }
	doubled := func(r Result) int { return r.Doubled }
	broken := func(r Result) int { return r.Violations }
	reuse := Options{flaws: flaws{noPositionCheck: true}, WrapStore: func(s intake.Store) intake.Store {
		return spoiler{Store: s, head: func(h *ledger.Head) { h.Position -= min(h.Position, 1) }}
	}}
	leaveOut := Options{WrapFeed: func() func(intake.Feed) intake.Feed {
		seen := 0
		return func(f intake.Feed) intake.Feed { return deafFeed{Feed: f, seen: &seen} }
	}()}
	early := Options{WrapFeed: func(f intake.Feed) intake.Feed { return deafFeed{Feed: f, seen: new(int), early: true} }}
	number := func(r map[string]any, key string) float64 { n, _ := r[key].(float64); return n }
	return []mutation{
		{"an event of a block is left out", spoiledBlocks(dropLast), "are recorded", broken},
		{"an event is stored twice", spoiledBlocks(doubleLast), "counts twice", doubled},
		{"another body under the same id is dropped", spoiledBlocks(forgetOtherBodies), "has no fate", broken},
		{"a position is given again", reuse, "was given where", doubled},
		{"a position is left out", spoiledBlocks(func(b *ledger.Block) {
			for i := range b.Records {
				b.Records[i].Position++
			}
		}), "was given where", broken},
		{"other bytes are stored, with their hash", spoiledBlocks(func(b *ledger.Block) {
			for i := range b.Records {
				b.Records[i].Body = []byte(strings.Replace(string(b.Records[i].Body), "J-101", "J-107", 1))
			}
		}), "that nobody said", broken},
		{"a column says something else", spoiledBlocks(func(b *ledger.Block) {
			for i := range b.Records {
				b.Records[i].Occurred.UnixMS++
			}
		}), "do not say what", broken},
		{"a wrong root is stored", spoiledBlocks(func(b *ledger.Block) { b.Root[31] ^= 1 }), "the root after", broken},
		{"a block claims more messages than it has", spoiledBlocks(func(b *ledger.Block) { b.LastSeq++ }), "has no fate", broken},
		{"a quarantined body is cut short", spoiledBlocks(func(b *ledger.Block) {
			for i, q := range b.Quarantined {
				b.Quarantined[i].Body = q.Body[:len(q.Body)-1]
			}
		}), "whole", broken},
		{"a refusal has no cause", spoiledBlocks(func(b *ledger.Block) {
			for i := range b.Quarantined {
				b.Quarantined[i].Code = intake.RefuseNumberTaken
			}
		}), "without cause", broken},
		{"the feed leaves a message out", leaveOut, "has no fate", broken},
		{"acknowledged before it is stored", early, "is acknowledged", broken},
		{"a receipt promises the next number", changedReceipts(func(r map[string]any) { r["recordedThrough"] = number(r, "recordedThrough") + 1 }), "a receipt promises", broken},
		{"a receipt hides what is missing", changedReceipts(func(r map[string]any) { delete(r, "missing") }), "a receipt promises", broken},
		{"a receipt is behind for ever", changedReceipts(func(r map[string]any) { r["recordedThrough"] = 0 }), "the last receipt", broken},
		{"a receipt names a later position", changedReceipts(func(r map[string]any) { r["position"] = number(r, "position") + 1 }), "names position", broken},
		{"trucks forget what the broker has", Options{flaws: flaws{forgetAcked: true}}, "neither recorded nor quarantined", lost},
		{"the broker acknowledges before it has synced", Options{flaws: flaws{forgetAcked: true, ackUnsynced: true}}, "neither recorded nor quarantined", lost},
		{"the store answers before it has synced", Options{flaws: flaws{forgetsAtCrash: true}}, "", broken},
		{"the owner rewrites an event", Options{flaws: flaws{rewrite: true}}, "does not hold the bytes", broken},
	}
}

// The auditor is not blind: each fault that is built in is found within a few
// seeds in which an undisturbed run breaks nothing, and for what it is.
func TestTheAuditorIsNotBlind(t *testing.T) {
	const most = 25
	for _, m := range mutations() {
		t.Run(m.name, func(t *testing.T) {
			for seed := range uint64(most) {
				r := Run(seed, m.o)
				if !r.Broke() {
					continue
				}
				if !strings.Contains(r.First, m.wants) || m.count(r) == 0 || len(r.Tail) == 0 {
					t.Errorf("seed %d: found as %q (lost %d, doubled %d, violations %d), wanted %q", seed, r.First, r.Lost, r.Doubled, r.Violations, m.wants)
				}
				return
			}
			t.Errorf("not found in %d seeds", most)
		})
	}
}

func TestNothingIsFoundWhereNothingIsWrong(t *testing.T) {
	same := Options{
		WrapStore:    func(s intake.Store) intake.Store { return spoiler{Store: s} },
		WrapReceipts: func(r intake.Receipts) intake.Receipts { return liar{r, func(map[string]any) {}} },
	}
	if r := Run(3, same); r.Broke() || r.TraceHash != Run(3, Options{}).TraceHash {
		t.Errorf("wrapping alone changes the run: %s", r.First)
	}
}
