package register

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"

	"spoilbook/events"
	"spoilbook/events/wire"
	book "spoilbook/reports/register"
)

// Changed returns the revisions that known does not hold word for word: with
// another document, author or note for the same entry and time, or none. Loading
// files a second time therefore changes nothing. A nil book holds nothing.
func Changed(revs []events.RegisterRevised, known *book.Book) ([]events.RegisterRevised, error) {
	var changed []events.RegisterRevised
	for _, rev := range revs {
		same, err := holds(known, rev)
		if err != nil {
			return nil, fmt.Errorf("compare register entry %s: %w", rev.Key, err)
		}
		if !same {
			changed = append(changed, rev)
		}
	}
	return changed, nil
}

// holds reports whether the revision that stands in known for the entry and time
// of rev says the same.
func holds(known *book.Book, rev events.RegisterRevised) (bool, error) {
	earlier := at(known, rev)
	if len(earlier) == 0 {
		return false, nil
	}
	want, err := wire.EncodeData(rev)
	if err != nil {
		return false, err
	}
	have, err := wire.EncodeData(revised(earlier[len(earlier)-1]))
	return bytes.Equal(have, want), err
}

// at returns the revisions in known of the entry and time of rev, the one that
// stands last.
func at(known *book.Book, rev events.RegisterRevised) []book.Revision {
	if known == nil || rev.Document == nil {
		return nil
	}
	var list []book.Revision
	for _, r := range known.History(rev.Document.Register(), rev.Key) {
		if r.From.UnixMS == rev.EffectiveFrom.UnixMS {
			list = append(list, r)
		}
	}
	return list
}

// Events makes revs into events of an office desk, numbered from firstSeq, that
// occurred at the given time. The id of each is derived from its register, key
// and canonical payload, and from how many revisions known holds for the same
// entry and time: making the events again from the same book gives the same ids,
// and going back to an earlier wording is a new event and not a repetition.
func Events(revs []events.RegisterRevised, known *book.Book, desk string, firstSeq uint64, occurred events.Time) ([]events.Event, error) {
	made := make([]events.Event, 0, len(revs))
	for i, rev := range revs {
		if rev.Document == nil {
			return nil, fmt.Errorf("make register event: entry %q has no document", rev.Key)
		}
		payload, err := wire.EncodeData(rev)
		if err != nil {
			return nil, fmt.Errorf("make register event: entry %s: %w", rev.Key, err)
		}
		digest := sha256.Sum256(fmt.Appendf(payload, "#%d", len(at(known, rev))))
		e := events.Event{
			ID:     fmt.Sprintf("%s-%s-%s", rev.Document.Register(), rev.Key, hex.EncodeToString(digest[:5])),
			Source: events.OfficeSource(desk), Seq: firstSeq + uint64(i), Occurred: occurred,
			Origin: events.FromFile, Body: rev,
		}
		if err := e.Validate(); err != nil {
			return nil, fmt.Errorf("make register event: entry %s: %w", rev.Key, err)
		}
		made = append(made, e)
	}
	return made, nil
}
