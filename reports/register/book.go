// Package register answers what the reference data said at a given time. A
// [Book] is built from register revisions and never changed afterwards; for
// example, with a rate card revised at noon, Book.RateCard(id, 11:59) is the old
// one and Book.RateCard(id, 12:00) the new one.
//
// A later ledger position wins over an earlier one for the same key and the same
// effective time, so a revision can be put right by sending it again.
package register

import (
	"slices"
	"sort"

	"spoilbook/events"
)

// Revision is one document with the time it takes effect, the position of the
// event that brought it, who wrote it and why.
type Revision struct {
	Register events.Register
	Key      string
	From     events.Time
	Position uint64
	Author   string
	Note     string
	Document events.Document
}

type entryKey struct {
	register events.Register
	key      string
}

// Book holds every revision, by register and key, in the order they take effect.
type Book struct {
	entries  map[entryKey][]Revision
	position uint64
	count    int
}

// NewBook builds a book from the register revisions among recs, in any order.
func NewBook(recs []events.Recorded) *Book {
	b := &Book{entries: map[entryKey][]Revision{}}
	b.add(recs)
	return b
}

// With returns a book that holds further revisions as well; b stays as it is.
func (b *Book) With(recs []events.Recorded) *Book {
	more := &Book{entries: make(map[entryKey][]Revision, len(b.entries)), position: b.position, count: b.count}
	for k, list := range b.entries {
		more.entries[k] = slices.Clone(list)
	}
	more.add(recs)
	return more
}

func (b *Book) add(recs []events.Recorded) {
	for i := range recs {
		r, ok := recs[i].Body.(events.RegisterRevised)
		if !ok || r.Document == nil {
			continue
		}
		k := entryKey{r.Document.Register(), r.Key}
		b.entries[k] = append(b.entries[k], Revision{Register: k.register, Key: r.Key, From: r.EffectiveFrom,
			Position: recs[i].Position, Author: r.Author, Note: r.Note, Document: r.Document})
		b.position = max(b.position, recs[i].Position)
		b.count++
	}
	for _, list := range b.entries {
		slices.SortFunc(list, func(x, y Revision) int {
			if x.From.UnixMS != y.From.UnixMS {
				return int(min(max(x.From.UnixMS-y.From.UnixMS, -1), 1))
			}
			return int(min(max(int64(x.Position)-int64(y.Position), -1), 1))
		})
	}
}

// Position returns the position of the latest revision in the book.
func (b *Book) Position() uint64 { return b.position }

// Revisions returns how many revisions the book holds.
func (b *Book) Revisions() int { return b.count }

// At returns the revision of an entry in force at a time; ok is false when there
// is no such entry or none had taken effect.
func (b *Book) At(r events.Register, key string, at events.Time) (Revision, bool) {
	list := b.entries[entryKey{r, key}]
	i := sort.Search(len(list), func(i int) bool { return at.Before(list[i].From) })
	if i == 0 {
		return Revision{}, false
	}
	return list[i-1], true
}

// Known reports whether the book has any revision of an entry.
func (b *Book) Known(r events.Register, key string) bool {
	return len(b.entries[entryKey{r, key}]) > 0
}

// Keys returns the keys of a register in alphabetical order.
func (b *Book) Keys(r events.Register) []string {
	keys := []string{}
	for k := range b.entries {
		if k.register == r {
			keys = append(keys, k.key)
		}
	}
	slices.Sort(keys)
	return keys
}

// History returns the revisions of an entry in the order they take effect.
func (b *Book) History(r events.Register, key string) []Revision {
	return slices.Clone(b.entries[entryKey{r, key}])
}

func document[D events.Document](b *Book, r events.Register, key string, at events.Time) (D, bool) {
	rev, ok := b.At(r, key, at)
	if !ok {
		var none D
		return none, false
	}
	d, ok := rev.Document.(D)
	return d, ok
}

// Carrier returns the carrier in force at a time.
func (b *Book) Carrier(id string, at events.Time) (events.Carrier, bool) {
	return document[events.Carrier](b, events.CarrierRegister, id, at)
}

// Truck returns the truck in force at a time.
func (b *Book) Truck(id events.TruckID, at events.Time) (events.Truck, bool) {
	return document[events.Truck](b, events.TruckRegister, string(id), at)
}

// Operator returns the operator in force at a time.
func (b *Book) Operator(id events.OperatorID, at events.Time) (events.Operator, bool) {
	return document[events.Operator](b, events.OperatorRegister, string(id), at)
}

// Client returns the client in force at a time.
func (b *Book) Client(id events.ClientID, at events.Time) (events.Client, bool) {
	return document[events.Client](b, events.ClientRegister, string(id), at)
}

// Job returns the job in force at a time.
func (b *Book) Job(id events.JobID, at events.Time) (events.Job, bool) {
	return document[events.Job](b, events.JobRegister, string(id), at)
}

// Material returns the material in force at a time.
func (b *Book) Material(id events.MaterialID, at events.Time) (events.Material, bool) {
	return document[events.Material](b, events.MaterialRegister, string(id), at)
}

// Facility returns the facility in force at a time.
func (b *Book) Facility(id events.FacilityID, at events.Time) (events.Facility, bool) {
	return document[events.Facility](b, events.FacilityRegister, string(id), at)
}

// WaterSource returns the water source in force at a time.
func (b *Book) WaterSource(id events.WaterSourceID, at events.Time) (events.WaterSource, bool) {
	return document[events.WaterSource](b, events.WaterSourceRegister, string(id), at)
}

// Outfall returns the outfall in force at a time.
func (b *Book) Outfall(id events.OutfallID, at events.Time) (events.Outfall, bool) {
	return document[events.Outfall](b, events.OutfallRegister, string(id), at)
}

// RateCard returns the rate card in force at a time.
func (b *Book) RateCard(id events.RateCardID, at events.Time) (events.RateCard, bool) {
	return document[events.RateCard](b, events.RateCardRegister, string(id), at)
}

// Calendar returns the calendar in force at a time.
func (b *Book) Calendar(id events.CalendarID, at events.Time) (events.Calendar, bool) {
	return document[events.Calendar](b, events.CalendarRegister, string(id), at)
}

// Tax returns the tax in force at a time.
func (b *Book) Tax(id events.TaxID, at events.Time) (events.Tax, bool) {
	return document[events.Tax](b, events.TaxRegister, string(id), at)
}
