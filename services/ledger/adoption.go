package ledger

import (
	"strings"
	"time"
)

// Adoption is the store's own record that it takes in from a stream. The first
// stream of an empty store is adopted by the intake; every other one only by
// somebody who says so, because a stream that is new beside a ledger that is not
// means that the broker's folder was lost or exchanged.
//
// For example: the store has taken in from "SPOILBOOK_EVENTS@1790000000000" up to
// position 5000 when the broker's disk dies. The next start finds
// "SPOILBOOK_EVENTS@1790500000000", which nobody has adopted, and refuses; after
// Adopt with that name it takes in from its first message.
type Adoption struct {
	Number uint64 // dense, from 1; the store gives it
	Stream string // name and creation time, as [Publisher].Stream gives it; or AnyStream
	// First is the oldest message that the stream has to hold: those before it may
	// be gone, as they are in the ledger and were cut off on purpose. 0 is 1.
	First uint64
	// Again is the last message that may come again although the broker counts it
	// as recorded: the store was made anew, or is older than the broker.
	Again    uint64
	Position uint64 // of the ledger when it was adopted; the store gives it
	At       time.Time
	Author   string
	Reason   string
}

// AnyStream adopts whatever the store is put beside next, once: a stream that it
// does not know, or one that has gone on without it. What restores or moves a store
// leaves this behind; the next start of the intake turns it into the stream's name.
const AnyStream = "*"

// Adoptions is every adoption of a store, in the order of their numbers.
type Adoptions []Adoption

// Of returns the newest adoption of a stream.
func (a Adoptions) Of(stream string) (Adoption, bool) {
	for i := len(a) - 1; i >= 0; i-- {
		if a[i].Stream == stream {
			return a[i], true
		}
	}
	return Adoption{}, false
}

// Open returns the adoption of any stream that no stream has taken up yet.
func (a Adoptions) Open() (Adoption, bool) {
	if n := len(a); n > 0 && a[n-1].Stream == AnyStream {
		return a[n-1], true
	}
	return Adoption{}, false
}

// Check refuses an adoption that names nothing, that nobody signs, or that has
// more words than are kept.
func (a *Adoption) Check() error {
	switch {
	case a.Stream == "" || len(a.Stream) > maxAuthorBytes:
		return Fail(BadRequest, "adopt a stream: found the name %q; allowed: a stream with its creation time, or %q for the next one", a.Stream, AnyStream)
	case strings.TrimSpace(a.Author) == "" || strings.TrimSpace(a.Reason) == "":
		return Fail(BadRequest, "adopt %s: say who does it, and why", a.Stream)
	case len(a.Author) > maxAuthorBytes || len(a.Reason) > maxNoteBytes:
		return Fail(BadRequest, "adopt %s: the author has %d bytes and the reason %d; at most %d and %d are kept", a.Stream, len(a.Author), len(a.Reason), maxAuthorBytes, maxNoteBytes)
	}
	return nil
}
