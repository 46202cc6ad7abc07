package store_test

import (
	"strings"
	"testing"
	"time"

	"spoilbook/services/ledger"
	"spoilbook/services/rigtest"
)

// Adoptions are kept in the order they were made, with the position of the ledger,
// across a restart; the newest one decides.
func TestAdoptions(t *testing.T) {
	e := rigtest.Engine(t)
	s := openOn(t, e.Transport())
	at := time.UnixMilli(1_790_000_000_000).UTC()
	adopt := func(a ledger.Adoption) {
		t.Helper()
		a.At, a.Author, a.Reason = at, "Yard office", "the disk of the broker was replaced"
		if err := s.Adopt(t.Context(), a); err != nil {
			t.Fatal(err)
		}
	}
	adopt(ledger.Adoption{Stream: "S@1"})
	if err := s.Append(t.Context(), block(1, 10)); err != nil {
		t.Fatal(err)
	}
	adopt(ledger.Adoption{Stream: ledger.AnyStream})
	have, err := s.Adoptions(t.Context())
	if open, ok := have.Open(); err != nil || !ok || open.Number != 2 || open.Position != 10 {
		t.Fatalf("open: %+v, %v", have, err)
	}
	adopt(ledger.Adoption{Stream: "S@1", First: 4, Again: 9})
	adopt(ledger.Adoption{Stream: "S@1", First: 4, Again: 9}) // the same again is a decision of its own
	have, err = openOn(t, e.Transport()).Adoptions(t.Context())
	if err != nil || len(have) != 4 {
		t.Fatalf("%d adoptions, %v", len(have), err)
	}
	want := ledger.Adoption{Number: 4, Stream: "S@1", First: 4, Again: 9, Position: 10, At: at, Author: "Yard office", Reason: "the disk of the broker was replaced"}
	if newest, ok := have.Of("S@1"); !ok || newest != want {
		t.Errorf("newest is %+v, want %+v", newest, want)
	}
	if _, ok := have.Open(); ok {
		t.Error("the adoption of any stream is still open")
	}
	if _, ok := have.Of("S@2"); ok {
		t.Error("a stream that nobody adopted is")
	}
}

func TestAdoptionNeedsWhoAndWhy(t *testing.T) {
	s := open(t)
	for _, a := range []ledger.Adoption{
		{Author: "Yard office", Reason: "why"}, {Stream: "S@1", Reason: "why"}, {Stream: "S@1", Author: "Yard office", Reason: " "},
		{Stream: "S@1", Author: strings.Repeat("a", 121), Reason: "why"}, {Stream: "S@1", Author: "Yard office", Reason: strings.Repeat("a", 1001)},
	} {
		if err := s.Adopt(t.Context(), a); ledger.CodeOf(err) != ledger.BadRequest {
			t.Errorf("%+v: %v", a, err)
		}
	}
	if have, err := s.Adoptions(t.Context()); err != nil || len(have) != 0 {
		t.Errorf("stored %+v, %v", have, err)
	}
}
