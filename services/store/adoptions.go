package store

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"time"

	"spoilbook/services/ledger"
)

// Adopt stores an adoption under the next number, with the position that the
// ledger stands at. Only the process that may append calls it.
func (s *Store) Adopt(ctx context.Context, a ledger.Adoption) error {
	if err := a.Check(); err != nil {
		return err
	}
	head, err := s.Head(ctx)
	if err != nil {
		return fmt.Errorf("adopt %s: %w", a.Stream, err)
	}
	have, err := s.Adoptions(ctx)
	if err != nil {
		return fmt.Errorf("adopt %s: %w", a.Stream, err)
	}
	a.Number, a.Position = uint64(len(have))+1, head.Position
	if err := s.putAdoption(ctx, a); err != nil {
		return err
	}
	if have, err = s.Adoptions(ctx); err != nil {
		return fmt.Errorf("adopt %s: %w", a.Stream, err)
	}
	if newest, ok := have.Of(a.Stream); !ok || newest.Number != a.Number {
		return fmt.Errorf("adopt %s: it was not stored; try again", a.Stream)
	}
	return nil
}

// putAdoption stores an adoption as it is.
func (s *Store) putAdoption(ctx context.Context, a ledger.Adoption) error {
	one := func(v uint64) []uint64 { return []uint64{v} }
	content := sha256.Sum256(fmt.Appendf(nil, "%q %d %d %d %q %q", a.Stream, a.First, a.Again, a.At.UnixMilli(), a.Author, a.Reason))
	err := s.insert(ctx, "adoptions", fmt.Sprintf("a-%d-%x", a.Number, content), []column{
		col("number", "UInt64", one(a.Number)), col("stream", "LowCardinality(String)", []string{a.Stream}),
		col("first", "UInt64", one(a.First)), col("again", "UInt64", one(a.Again)), col("position", "UInt64", one(a.Position)),
		col("at", "DateTime64(3, 'UTC')", []time.Time{a.At.UTC()}),
		col("author", "String", []string{a.Author}), col("reason", "String", []string{a.Reason}),
	})
	if err != nil {
		return fmt.Errorf("adopt %s: %w", a.Stream, err)
	}
	return nil
}

// Adoptions returns every adoption in the order of their numbers.
func (s *Store) Adoptions(ctx context.Context) (ledger.Adoptions, error) {
	rows, err := s.conn.Query(ctx, "SELECT number, stream, first, again, position, at, author, reason FROM adoptions ORDER BY number")
	if err != nil {
		return nil, fmt.Errorf("read adoptions: %w", err)
	}
	var out ledger.Adoptions
	for rows.Next() {
		var a ledger.Adoption
		if err := rows.Scan(&a.Number, &a.Stream, &a.First, &a.Again, &a.Position, &a.At, &a.Author, &a.Reason); err != nil {
			return nil, errors.Join(fmt.Errorf("read adoptions: %w", err), rows.Close())
		}
		if a.Number != uint64(len(out))+1 {
			return nil, errors.Join(damaged("adoption %d is missing or there twice", len(out)+1), rows.Close())
		}
		out = append(out, a)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return nil, fmt.Errorf("read adoptions: %w", err)
	}
	return out, nil
}
