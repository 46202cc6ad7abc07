package register

import (
	"strconv"

	"spoilbook/events"
	book "spoilbook/reports/register"
)

// entryKey names an entry of a register.
type entryKey struct {
	register events.Register
	key      string
}

// reference is an entry that a document names.
type reference struct {
	field string
	entryKey
}

// referencesOf returns the entries that d names.
func referencesOf(d events.Document) []reference {
	switch d := d.(type) {
	case events.Truck:
		return []reference{{"carrier", entryKey{events.CarrierRegister, d.Carrier}}}
	case events.Job:
		return []reference{
			{"client", entryKey{events.ClientRegister, string(d.Client)}},
			{"rateCard", entryKey{events.RateCardRegister, string(d.RateCard)}},
			{"material", entryKey{events.MaterialRegister, string(d.Material)}},
		}
	case events.RateCard:
		return []reference{
			{"calendar", entryKey{events.CalendarRegister, string(d.Calendar)}},
			{"tax", entryKey{events.TaxRegister, string(d.Tax)}},
		}
	}
	return nil
}

// zoneOf returns the time zone that d names.
func zoneOf(d events.Document) (name string, has bool) {
	switch d := d.(type) {
	case events.Job:
		return d.TimeZone, true
	case events.Facility:
		return d.TimeZone, true
	case events.WaterSource:
		return d.TimeZone, true
	case events.Outfall:
		return d.TimeZone, true
	}
	return "", false
}

// Verify reports, as a [*Problems], what is wrong with revs as a set: time zones
// that do not exist, an entry given twice for the same time, and documents that
// name entries which neither revs nor l.Known have in force when they take
// effect. [Loader.Read] has done this for what it returns.
func (l Loader) Verify(revs []events.RegisterRevised) error {
	r := &reading{loader: l, problems: &Problems{}}
	for i, rev := range revs {
		label := strconv.Itoa(i+1) + " (" + rev.Key + ")"
		r.items = append(r.items, item{rev, func(string) Problem { return Problem{Entry: label} }})
	}
	r.checkSet()
	return r.problems.err()
}

// checkSet checks what can only be seen with all entries at hand.
func (r *reading) checkSet() {
	type moment struct {
		entryKey
		unixMS int64
	}
	earliest := map[entryKey]events.Time{}
	seen := map[moment]bool{}
	for _, it := range r.items {
		rev := it.revision
		k := entryKey{rev.Document.Register(), rev.Key}
		if first, ok := earliest[k]; !ok || rev.EffectiveFrom.Before(first) {
			earliest[k] = rev.EffectiveFrom
		}
		if m := (moment{k, rev.EffectiveFrom.UnixMS}); seen[m] {
			r.fail(it, "effectiveFrom", rev.EffectiveFrom.String()+" a second time", "one entry of a key for one time")
		} else {
			seen[m] = true
		}
	}
	for _, it := range r.items {
		if zone, has := zoneOf(it.revision.Document); has {
			if _, err := r.loader.location(zone); err != nil {
				r.fail(it, "document.timeZone", strconv.Quote(zone), `an IANA time zone such as "Europe/Dublin"`)
			}
		}
		if r.broken {
			continue
		}
		for _, ref := range referencesOf(it.revision.Document) {
			r.checkReference(it, ref, earliest)
		}
	}
}

func (r *reading) checkReference(it item, ref reference, earliest map[entryKey]events.Time) {
	at := it.revision.EffectiveFrom
	if ref.key == "" || inForce(r.loader.Known, ref.entryKey, at) {
		return
	}
	first, given := earliest[ref.entryKey]
	if given && !at.Before(first) {
		return
	}
	found := strconv.Quote(ref.key)
	switch {
	case given:
		found += ", which takes effect only at " + first.String()
	case r.loader.Known != nil && r.loader.Known.Known(ref.register, ref.key):
		found += ", which takes effect later"
	}
	r.fail(it, "document."+ref.field, found,
		"an entry of register "+string(ref.register)+" in force at "+at.String())
}

func inForce(known *book.Book, k entryKey, at events.Time) bool {
	if known == nil {
		return false
	}
	_, ok := known.At(k.register, k.key, at)
	return ok
}

func (r *reading) fail(it item, field, found, allowed string) {
	one := it.place(field)
	one.Field, one.Found, one.Allowed = field, found, allowed
	r.problems.add(one)
}
