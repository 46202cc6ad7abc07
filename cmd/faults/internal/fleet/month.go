package fleet

import (
	"fmt"

	"spoilbook/events"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
)

// Month returns the invented month: the events of the register that all others
// need, to be recorded before the rest, and the rest in the order of publication.
func Month() (register, rest []Event, err error) {
	month, err := demo.Build()
	if err != nil {
		return nil, nil, err
	}
	for i, batch := range month.Batches {
		list, err := eventsOf(batch)
		if err != nil {
			return nil, nil, fmt.Errorf("batch %q: %w", batch.Note, err)
		}
		if i == 0 {
			register = list
		} else {
			rest = append(rest, list...)
		}
	}
	return register, rest, nil
}

func eventsOf(batch demo.Batch) ([]Event, error) {
	msgs, err := ledger.MessagesOf(batch.Events)
	if err != nil {
		return nil, err
	}
	list := make([]Event, len(msgs))
	for i, e := range batch.Events {
		list[i] = Event{Source: e.Source, ID: e.ID, Seq: e.Seq, About: about(&e), Message: msgs[i]}
	}
	return list, nil
}

// about is the key of the event of another source that an event changes.
func about(e *events.Event) string {
	var ref events.Ref
	switch b := e.Body.(type) {
	case events.EntryCorrected:
		ref = b.Refers
	case events.EntryVoided:
		ref = b.Refers
	}
	if ref == (events.Ref{}) || ref.Source == e.Source {
		return ""
	}
	return (&Event{Source: ref.Source, ID: ref.ID}).Key()
}
