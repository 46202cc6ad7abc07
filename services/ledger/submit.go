package ledger

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
)

// Ticket is the receipt for messages handed to the broker: the stream sequences
// they lie between, which others' messages may share.
type Ticket struct {
	Stream string   `json:"stream"`
	Seqs   []uint64 `json:"-"`
	First  uint64   `json:"first"`
	Last   uint64   `json:"last"`
	Count  int      `json:"count"`
}

// SubjectOf returns the subject on which a source publishes: "/truck/TM-01" is
// "truck.TM-01".
func SubjectOf(s events.Source) (string, error) {
	class, name, ok := s.Split()
	if !ok {
		return "", fmt.Errorf("source %q is not /truck/NAME or /office/NAME", string(s))
	}
	return class + "." + name, nil
}

// unreadable is where messages go whose source can not be read, so that the
// intake can quarantine them whole.
const unreadable = "office.unreadable"

// MessageOf addresses the bytes of one event. Bytes that can not be decoded are
// addressed too: the intake quarantines them with their reason.
func MessageOf(body []byte) Message {
	if e, err := wire.Decode(body); err == nil {
		if subject, err := SubjectOf(e.Source); err == nil {
			return Message{Subject: subject, Body: body}
		}
	}
	return Message{Subject: unreadable, Body: body}
}

// MessagesOf encodes events.
func MessagesOf(list []events.Event) ([]Message, error) {
	msgs := make([]Message, len(list))
	for i := range list {
		body, err := wire.Encode(&list[i])
		if err != nil {
			return nil, err
		}
		subject, err := SubjectOf(list[i].Source)
		if err != nil {
			return nil, err
		}
		msgs[i] = Message{Subject: subject, Body: body}
	}
	return msgs, nil
}

// Acceptable reports why messages can not be submitted at one go: too many, or
// one that is empty or longer than an event may be.
func Acceptable(msgs []Message) error {
	if len(msgs) > MaxSubmit {
		return Fail(TooLarge, "submit: %d events at once, at most %d are taken", len(msgs), MaxSubmit)
	}
	for i, m := range msgs {
		if len(m.Body) > wire.MaxBytes {
			return Fail(TooLarge, "submit: event %d has %d bytes, at most %d are taken", i+1, len(m.Body), wire.MaxBytes)
		}
		if len(bytes.TrimSpace(m.Body)) == 0 {
			return Fail(BadRequest, "submit: event %d is empty", i+1)
		}
	}
	return nil
}

// Submit publishes messages and returns when the broker has synced them all. On
// failure the ticket covers those that were stored; sending all of them again is
// harmless, for an event counts once however often it comes.
func (l *Ledger) Submit(ctx context.Context, msgs []Message) (Ticket, error) {
	if l.publisher == nil {
		return Ticket{}, Fail(ReadOnly, "submit: this ledger was opened for reading only")
	}
	if err := Acceptable(msgs); err != nil || len(msgs) == 0 {
		return Ticket{}, err
	}
	stream, err := l.publisher.Stream(ctx)
	if err != nil {
		return Ticket{}, refused(err, BrokerDown, "submit")
	}
	seqs, err := l.publisher.Publish(ctx, msgs)
	t := Ticket{Stream: stream, Seqs: seqs, Count: len(seqs)}
	if len(seqs) > 0 {
		t.First, t.Last = seqs[0], seqs[len(seqs)-1]
	}
	if err != nil {
		return t, Wrap(BrokerDown, err, "submit: %d of %d events stored", len(seqs), len(msgs))
	}
	return t, nil
}

// Await returns once the intake has handled everything up to the ticket's last
// message, with what became of the messages in the ticket's range.
func (l *Ledger) Await(ctx context.Context, t Ticket) (Fates, error) {
	if t.Count == 0 {
		return Fates{}, nil
	}
	if err := l.checkStream(ctx, t); err != nil {
		return Fates{}, err
	}
	pause := time.NewTimer(0)
	defer pause.Stop()
	wait := 5 * time.Millisecond
	for {
		handled, err := l.handled(ctx, t.Stream, t.Last)
		if err != nil && ctx.Err() == nil {
			return Fates{}, refused(err, StoreDown, "await")
		}
		if err == nil && handled >= t.Last {
			fates, err := l.store.Fates(ctx, t.Stream, t.First, t.Last)
			return fates, Wrap(StoreDown, err, "await")
		}
		pause.Reset(wait)
		wait = min(wait*2, 50*time.Millisecond)
		select {
		case <-ctx.Done():
			return Fates{}, Wrap(TimedOut, ctx.Err(), "await: the events are received and safe, but message %d of the stream is not recorded yet (the intake is at %d)", t.Last, handled)
		case <-pause.C:
		}
	}
}

// checkStream refuses a ticket whose messages can never be recorded, because the
// broker has another stream now and the ledger did not get so far in the old one.
func (l *Ledger) checkStream(ctx context.Context, t Ticket) error {
	if l.publisher == nil {
		return nil
	}
	stream, err := l.publisher.Stream(ctx)
	if err != nil || stream == t.Stream {
		return nil // while the broker is down the intake may still finish
	}
	handled, err := l.store.Handled(ctx, t.Stream)
	if err != nil || handled >= t.Last {
		return nil
	}
	return Fail(NotFound, "await: there is no stream %q with a message %d; the broker has %q", t.Stream, t.Last, stream)
}

// Release publishes a quarantined message again, repaired when body is not empty,
// waits until the intake has judged it as it would any other, and notes who did
// so. Nothing is noted before its fate is stored, so a release that is cut off
// leaves the entry held and can be repeated. One that is refused again for the
// same bytes stays held; one that is refused with other bytes is a new entry,
// which the fates name.
func (l *Ledger) Release(ctx context.Context, entry uint64, body []byte, author, note string) (Fates, error) {
	if err := signed(entry, author, note); err != nil {
		return Fates{}, err
	}
	q, err := l.held(ctx, entry)
	if err != nil {
		return Fates{}, err
	}
	if len(body) == 0 {
		body = q.Body
	}
	e, err := wire.Decode(body)
	if err != nil {
		return Fates{}, Wrap(BadRequest, err, "release entry %d: it is still not a valid event", entry)
	}
	t, err := l.Submit(ctx, []Message{MessageOf(body)})
	if err != nil {
		return Fates{}, err
	}
	f, err := l.Await(ctx, t)
	if err != nil {
		return f, Wrap(TimedOut, err, "release entry %d: it stays held until its message is judged; release it again", entry)
	}
	if f.Duplicates > 0 {
		ok, err := l.recorded(ctx, &e)
		if err != nil {
			return f, err
		}
		if !ok {
			return f, Fail(Conflict, "release entry %d: it stays held, for these bytes were refused again; the reason was: %s", entry, q.Reason)
		}
	}
	return f, l.settle(ctx, entry, "released", author, note)
}

// recorded reports whether the ledger holds exactly this event.
func (l *Ledger) recorded(ctx context.Context, e *events.Event) (bool, error) {
	canonical, err := wire.Encode(e)
	if err != nil {
		return false, Wrap(Internal, err, "encode event %s", e.ID)
	}
	list, err := l.store.Find(ctx, EventQuery{Source: e.Source, ID: e.ID, Limit: 1})
	if err != nil {
		return false, Wrap(StoreDown, err, "look for event %s", e.ID)
	}
	return len(list) == 1 && list[0].Hash == chain.LeafHash(canonical), nil
}

// Dismiss notes that a quarantined message is not to be recorded, and why. It
// stays where it is.
func (l *Ledger) Dismiss(ctx context.Context, entry uint64, author, note string) error {
	if err := signed(entry, author, note); err != nil {
		return err
	}
	if _, err := l.held(ctx, entry); err != nil {
		return err
	}
	if strings.TrimSpace(note) == "" {
		return Fail(BadRequest, "dismiss entry %d: say why in a note", entry)
	}
	return l.settle(ctx, entry, "dismissed", author, note)
}

// signed refuses a decision that nobody signs, or with more words than are kept.
func signed(entry uint64, author, note string) error {
	switch {
	case strings.TrimSpace(author) == "":
		return Fail(BadRequest, "settle entry %d: say who does it", entry)
	case len(author) > maxAuthorBytes || len(note) > maxNoteBytes:
		return Fail(BadRequest, "settle entry %d: the author has %d bytes and the note %d; at most %d and %d are kept", entry, len(author), len(note), maxAuthorBytes, maxNoteBytes)
	}
	return nil
}

func (l *Ledger) settle(ctx context.Context, entry uint64, action, author, note string) error {
	err := l.store.Settle(ctx, entry, Settlement{At: l.now(), Action: action, Author: author, Note: note})
	return refused(err, StoreDown, "settle entry %d", entry)
}

// refused adds what was done to an error, but not to damage, which says itself what
// was found and what to do.
func refused(err error, code Code, format string, args ...any) error {
	if CodeOf(err) == Damaged {
		return err
	}
	return Wrap(code, err, format, args...)
}

func (l *Ledger) held(ctx context.Context, entry uint64) (Quarantined, error) {
	if entry == 0 {
		return Quarantined{}, Fail(BadRequest, "quarantine entries begin at 1")
	}
	list, err := l.store.Quarantine(ctx, QuarantineQuery{Entry: entry, All: true, Limit: 1})
	if err != nil {
		return Quarantined{}, Wrap(StoreDown, err, "quarantine entry %d", entry)
	}
	if len(list) == 0 {
		return Quarantined{}, Fail(NotFound, "quarantine entry %d does not exist", entry)
	}
	if list[0].State != "held" {
		return Quarantined{}, Fail(Conflict, "quarantine entry %d was already %s", entry, list[0].State)
	}
	return list[0], nil
}

// Quarantine lists quarantined messages in the order of their entries.
func (l *Ledger) Quarantine(ctx context.Context, q QuarantineQuery) ([]Quarantined, error) {
	if q.Limit <= 0 {
		q.Limit = defaultPage
	}
	if q.Limit > MaxPage {
		return nil, Fail(TooLarge, "quarantine: %d at once, at most %d are given", q.Limit, MaxPage)
	}
	list, err := l.store.Quarantine(ctx, q)
	return list, Wrap(StoreDown, err, "quarantine")
}
