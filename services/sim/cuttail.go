package sim

import (
	"context"
	"fmt"

	"spoilbook/services/ledger"
)

// tails is how many cuts of the broker's tail are tried in each run.
const tails = 2

// shortened is the broker's stream with its last messages gone, and others in
// their place where new ones came before anybody looked.
type shortened struct{ log []ledger.Delivery }

// Messages reads messages in stream order.
func (s shortened) Messages(_ context.Context, first, last uint64, each func(ledger.Delivery) error) error {
	for seq := first; seq <= last; seq++ {
		if err := each(s.log[seq-1]); err != nil {
			return err
		}
	}
	return nil
}

// cutTail holds the store against the broker's stream as the start of an intake
// does: as it is, which must succeed; with its tail cut off, which must not; and
// with the cut tail grown again by others' messages, which must not either.
func (s *scene) cutTail() (cut int) {
	stream, log := s.broker.stream(), s.broker.log()
	handled := s.db.handled(stream)
	if handled == 0 || uint64(len(log)) != handled {
		return 0
	}
	if err := s.stand(stream, log); err != nil {
		s.watch.broken("the start refuses a broker and a store that are sound: %v", err)
	}
	for range tails {
		gone := 1 + s.w.rng.IntN(min(len(log), 200))
		short := log[: len(log)-gone : len(log)-gone]
		cut++
		if err := s.stand(stream, short); ledger.CodeOf(err) != ledger.Damaged {
			s.watch.undetected++
			s.watch.broken("a tail of %d messages is cut off the broker's stream and not missed (%v)", gone, err)
		}
		for len(short) < len(log) {
			body := fmt.Appendf(nil, `{"specversion":"1.0","note":"after the cut %d"`, len(short))
			short = append(short, ledger.Delivery{Subject: log[0].Subject, Body: body, StreamSeq: uint64(len(short) + 1), Received: s.broker.clock()})
		}
		if err := s.stand(stream, short); ledger.CodeOf(err) != ledger.Damaged && s.anyFate(stream, handled-uint64(gone)) {
			s.watch.undetected++
			s.watch.broken("a tail of %d messages was cut off the broker's stream, others took its place, and it is not found (%v)", gone, err)
		}
	}
	return cut
}

// stand holds a stream against the store.
func (s *scene) stand(stream string, log []ledger.Delivery) error {
	head, err := s.db.head()
	if err != nil {
		return err
	}
	handled := s.db.handled(stream)
	standing := ledger.Standing{Stream: stream, First: 1, Last: uint64(len(log)), Head: head, Handled: handled, Adoptions: ledger.Adoptions{{Number: 1, Stream: stream}}}
	if _, err := standing.Judge(); err != nil {
		return err
	}
	duplicate := func(ledger.Delivery) error { return nil }
	return ledger.CompareLines(context.Background(), shortened{log}, 1, handled, s.lines(stream), duplicate)
}

// lines returns what the store keeps of the messages of a stream.
func (s *scene) lines(stream string) (out []ledger.StreamLine) {
	for i := range s.db.events {
		if e := &s.db.events[i]; e.Stream == stream {
			out = append(out, ledger.StreamLine{Seq: e.StreamSeq, Hash: e.Hash})
		}
	}
	for i := range s.db.quarantine {
		if q := &s.db.quarantine[i]; q.Stream == stream {
			out = append(out, ledger.StreamLine{Seq: q.StreamSeq, Held: true, Hash: q.Hash})
		}
	}
	return out
}

// anyFate reports whether the store keeps anything of the messages above a
// sequence. Of duplicates it keeps nothing: where only these are exchanged, nothing
// that is recorded is.
func (s *scene) anyFate(stream string, above uint64) bool {
	for _, line := range s.lines(stream) {
		if line.Seq > above {
			return true
		}
	}
	return false
}
