package sim

import (
	"context"
	"crypto/sha256"
	"fmt"
	"slices"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// flips is how many bits are flipped, one at a time, in the ledger of each run.
const flips = 3

// damage reads the ledger again as it is, which must succeed, and with a flipped
// bit in one place after another, which must not.
func (s *scene) damage() (flipped int) {
	if err := rebuild(&s.db.tables); err != nil {
		s.watch.broken("reading the undamaged ledger again fails: %v", err)
	}
	for range flips {
		copied, where := s.flip()
		if where == "" {
			continue
		}
		flipped++
		if err := rebuild(copied); ledger.CodeOf(err) != ledger.Damaged {
			s.watch.undetected++
			s.watch.broken("a flipped bit in %s is not found (%v)", where, err)
		}
	}
	return flipped
}

// rebuild reads a ledger with the real check.
func rebuild(t *tables) error {
	_, err := ledger.New(ledger.Config{Store: reader{&database{tables: *t}, nil}}).Rebuild(context.Background(), nil)
	return err
}

// flip returns a copy of the ledger with one bit flipped, and where.
func (s *scene) flip() (*tables, string) {
	rng := s.w.rng
	t := tables{events: slices.Clone(s.db.events), blocks: slices.Clone(s.db.blocks)}
	if len(t.events) == 0 {
		return nil, ""
	}
	bit := byte(1) << rng.IntN(8)
	at := rng.IntN(len(t.events))
	e := &t.events[at]
	text := func(s string) string {
		b := []byte(s)
		b[rng.IntN(len(b))] ^= bit
		return string(b)
	}
	column := rng.IntN(9)
	switch column {
	case 0:
		e.Hash[rng.IntN(len(e.Hash))] ^= bit
	case 1:
		e.Source = events.Source(text(string(e.Source)))
	case 2:
		e.ID = text(e.ID)
	case 3:
		e.Seq ^= uint64(bit)
	case 4:
		e.Position ^= uint64(bit)
	case 5:
		e.Kind = events.Kind(text(string(e.Kind)))
	case 6:
		e.Occurred.UnixMS ^= int64(bit)
	case 7:
		// The root of a block that ends before the first event is not compared.
		i := rng.IntN(len(t.blocks))
		if t.blocks[i].position == 0 {
			return nil, ""
		}
		t.blocks[i].root[rng.IntN(32)] ^= bit
	default:
		e.Body = []byte(text(string(e.Body)))
	}
	return &t, fmt.Sprintf("column %d of row %d", column, at)
}

// rewrite changes an event as its owner could who also has the program: bytes and
// hash agree.
func (s *scene) rewrite() {
	if len(s.db.events) > 0 {
		e := &s.db.events[len(s.db.events)/2]
		e.Body = append(slices.Clone(e.Body), ' ')
		e.Hash = sha256.Sum256(append([]byte{0}, e.Body...))
	}
}
