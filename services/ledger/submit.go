package ledger

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"spoilbook/events"
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

// Submit publishes messages and returns when the broker has synced them all. On
// failure the ticket covers those that were stored; sending all of them again is
// harmless, for an event counts once however often it comes.
func (l *Ledger) Submit(ctx context.Context, msgs []Message) (Ticket, error) {
	if l.publisher == nil {
		return Ticket{}, Fail(ReadOnly, "submit: this ledger was opened for reading only")
	}
	if len(msgs) > MaxSubmit {
		return Ticket{}, Fail(TooLarge, "submit: %d events at once, at most %d are taken", len(msgs), MaxSubmit)
	}
	for i, m := range msgs {
		if len(m.Body) > wire.MaxBytes {
			return Ticket{}, Fail(TooLarge, "submit: event %d has %d bytes, at most %d are taken", i+1, len(m.Body), wire.MaxBytes)
		}
	}
	stream, err := l.publisher.Stream(ctx)
	if err != nil {
		return Ticket{}, Wrap(BrokerDown, err, "submit")
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
	pause := time.NewTimer(0)
	defer pause.Stop()
	wait := 5 * time.Millisecond
	for {
		handled, err := l.store.Handled(ctx, t.Stream)
		if err != nil && ctx.Err() == nil {
			return Fates{}, Wrap(StoreDown, err, "await")
		}
		if err == nil && handled >= t.Last {
			fates, err := l.store.Fates(ctx, t.Stream, t.First, t.Last)
			return fates, Wrap(StoreDown, err, "await")
		}
		pause.Reset(wait)
		wait = min(wait*2, 200*time.Millisecond)
		select {
		case <-ctx.Done():
			return Fates{}, Wrap(TimedOut, ctx.Err(), "await: the events are received and safe, but message %d of the stream is not recorded yet (the intake is at %d)", t.Last, handled)
		case <-pause.C:
		}
	}
}

// Release publishes a quarantined message again, repaired when body is not empty,
// and notes who did so. The intake judges it as it would any other.
func (l *Ledger) Release(ctx context.Context, entry uint64, body []byte, author, note string) (Ticket, error) {
	q, err := l.held(ctx, entry)
	if err != nil {
		return Ticket{}, err
	}
	if len(body) == 0 {
		body = q.Body
	}
	if _, err := wire.Decode(body); err != nil {
		var invalid *events.ValidationError
		if errors.As(err, &invalid) {
			return Ticket{}, Wrap(BadRequest, err, "release entry %d: it is still not a valid event", entry)
		}
		return Ticket{}, err
	}
	t, err := l.Submit(ctx, []Message{MessageOf(body)})
	if err != nil {
		return t, err
	}
	return t, l.settle(ctx, entry, "released", author, note)
}

// Dismiss notes that a quarantined message is not to be recorded, and why. It
// stays where it is.
func (l *Ledger) Dismiss(ctx context.Context, entry uint64, author, note string) error {
	if _, err := l.held(ctx, entry); err != nil {
		return err
	}
	if strings.TrimSpace(note) == "" {
		return Fail(BadRequest, "dismiss entry %d: say why in a note", entry)
	}
	return l.settle(ctx, entry, "dismissed", author, note)
}

func (l *Ledger) settle(ctx context.Context, entry uint64, action, author, note string) error {
	if strings.TrimSpace(author) == "" {
		return Fail(BadRequest, "settle entry %d: say who does it", entry)
	}
	return Wrap(StoreDown, l.store.Settle(ctx, entry, Settlement{At: l.now(), Action: action, Author: author, Note: note}), "settle entry %d", entry)
}

func (l *Ledger) held(ctx context.Context, entry uint64) (Quarantined, error) {
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

// Quarantine lists quarantined messages.
func (l *Ledger) Quarantine(ctx context.Context, q QuarantineQuery) ([]Quarantined, error) {
	if q.Limit <= 0 || q.Limit > MaxPage {
		q.Limit = MaxPage
	}
	list, err := l.store.Quarantine(ctx, q)
	return list, Wrap(StoreDown, err, "quarantine")
}
