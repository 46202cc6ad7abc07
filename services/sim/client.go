package sim

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"time"

	"spoilbook/services/ledger"
)

// client is the store as one process sees it, with the writing order and the
// tokens of the real one: quarantine, events, the block's line. The process can
// die at each step, before or after it.
type client struct {
	reader
	db *database
	p  *process
}

// clientTries is how often one Append tries by itself.
const clientTries = 4

// Append stores a block.
func (c *client) Append(_ context.Context, b *ledger.Block) error {
	var err error
	for try := range clientTries {
		if err = c.append(b); err == nil || ledger.CodeOf(err) == ledger.Damaged || !c.p.alive() {
			break
		}
		if !c.p.sleep(time.Duration(50<<try) * time.Millisecond) {
			return errKilled
		}
	}
	if err != nil {
		return fmt.Errorf("append messages %d to %d: %w", b.FirstSeq, b.LastSeq, err)
	}
	return nil
}

func (c *client) append(b *ledger.Block) error {
	if err := c.appendQuarantined(b); err != nil {
		return err
	}
	if err := c.appendRecords(b.Records); err != nil {
		return err
	}
	line := blockLine{stream: b.Stream, firstSeq: b.FirstSeq, lastSeq: b.LastSeq, position: b.Position, root: b.Root, frontier: b.Frontier, at: b.At}
	token := fmt.Sprintf("b-%s-%d-%d-%x", b.Stream, b.FirstSeq, b.LastSeq, b.Root)
	return c.insert("insert block", token, func() { c.db.addBlock(line) })
}

func (c *client) insert(step, token string, apply func()) error {
	return c.p.step(step, func() error { return c.db.insert(token, apply, c.p.sleep) })
}

func (c *client) appendQuarantined(b *ledger.Block) error {
	qs := b.Quarantined
	if len(qs) == 0 {
		return nil
	}
	have := 0
	err := c.p.step("count quarantine", func() error {
		for i := range c.db.quarantine {
			if e := c.db.quarantine[i].Entry; e >= qs[0].Entry && e <= qs[len(qs)-1].Entry {
				have++
			}
		}
		return c.db.ask()
	})
	if err != nil || have == len(qs) {
		return err
	}
	digest := sha256.New()
	for i := range qs {
		digest.Write(qs[i].Body)
	}
	token := fmt.Sprintf("q-%d-%x", qs[0].Entry, digest.Sum(nil))
	return c.insert("insert quarantine", token, func() { c.db.addQuarantined(qs) })
}

// fingerprint is what a range of positions holds, in short.
type fingerprint struct{ rows, xor uint64 }

func (f *fingerprint) add(r *ledger.Record) {
	f.rows++
	f.xor ^= binary.LittleEndian.Uint64(r.Hash[:8]) + r.Position
}

func (c *client) stored(first, last uint64) (f fingerprint, err error) {
	err = c.p.step("count events", func() error {
		for i := len(c.db.events) - 1; i >= 0; i-- {
			if r := &c.db.events[i]; r.Position >= first && r.Position <= last {
				f.add(r)
			}
		}
		return c.db.ask()
	})
	return f, err
}

func (c *client) appendRecords(rs []ledger.Record) error {
	if len(rs) == 0 {
		return nil
	}
	first, last := rs[0].Position, rs[len(rs)-1].Position
	var want fingerprint
	digest := sha256.New()
	for i := range rs {
		want.add(&rs[i])
		digest.Write(rs[i].Hash[:])
	}
	have, err := c.stored(first, last)
	switch {
	case err != nil || have == want:
		return err
	case have.rows != 0 && !c.db.flaws.noPositionCheck:
		return ledger.Fail(ledger.Damaged, "positions %d to %d already hold %d other events", first, last, have.rows)
	}
	token := fmt.Sprintf("%d-%d-%x", first, last, digest.Sum(nil))
	if err := c.insert("insert events", token, func() { c.db.addEvents(rs) }); err != nil {
		return err
	}
	if have, err = c.stored(first, last); err != nil {
		return err
	}
	if have != want && !c.db.flaws.noPositionCheck {
		return fmt.Errorf("positions %d to %d: %d rows are stored after inserting %d", first, last, have.rows, want.rows)
	}
	return nil
}

// reader answers questions from a database's tables; each question is a step of
// the process that asks, and an undisturbed look where there is no process.
type reader struct {
	db *database
	p  *process
}

func (r reader) ask(what string, f func() error) error {
	if r.p == nil {
		return f()
	}
	return r.p.step(what, func() error {
		if err := r.db.ask(); err != nil {
			return err
		}
		return f()
	})
}
