package store_test

import (
	"errors"
	"net/http"
	"testing"

	"github.com/ClickHouse/clickhouse-go/v2"

	"spoilbook/services/engine"
	"spoilbook/services/ledger"
	"spoilbook/services/store"
)

// A table whose description was changed is damage at the next opening, and names what is missing.
func TestChangedTablesAreDamage(t *testing.T) {
	for what, statement := range map[string]string{
		"a column": "ALTER TABLE blocks RENAME COLUMN duplicates TO duplicatez",
		"a table":  "RENAME TABLE settlements TO settlementz",
		"the body": "ALTER TABLE events RENAME COLUMN body TO bodz",
	} {
		t.Run(what, func(t *testing.T) {
			dir := t.TempDir()
			if err := reopen(t, dir, func(s *store.Store) error { return s.Append(t.Context(), block(1, 10)) }); err != nil {
				t.Fatal(err)
			}
			if err := reopen(t, dir, func(*store.Store) error { return nil }); err != nil {
				t.Fatalf("unharmed: %v", err)
			}
			change(t, dir, statement)
			err := reopen(t, dir, func(*store.Store) error { return nil })
			if ledger.CodeOf(err) != ledger.Damaged {
				t.Errorf("after %q: %v", statement, err)
			}
		})
	}
}

// change runs a statement with the engine's own means.
func change(t *testing.T, dir, statement string) {
	t.Helper()
	library, err := engine.Fetch(t.Context(), engine.FetchOptions{})
	if err != nil {
		t.Fatal(err)
	}
	e, err := engine.Open(t.Context(), engine.Options{Dir: dir, Library: library})
	if err != nil {
		t.Fatal(err)
	}
	c, err := clickhouse.Open(&clickhouse.Options{Protocol: clickhouse.HTTP, Addr: []string{"engine.invalid:1"},
		TransportFunc: func(*http.Transport) (http.RoundTripper, error) { return e.Transport(), nil }})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(c.Exec(t.Context(), statement), c.Close(), e.Close()); err != nil {
		t.Fatal(err)
	}
}
