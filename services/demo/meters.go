package demo

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"time"

	"spoilbook/events"
	"spoilbook/reports/register"
)

// reading is what a meter shows.
type reading struct {
	source events.WaterSourceID
	body   events.MeterRead
}

// metered lists the sources that have a meter with the reading at the beginning
// of the month.
func metered(book *register.Book, at events.Time) []reading {
	first := map[string]int64{"SP-4471": 184_212_000, "SP-4472": 96_740_000, "YD-1": 1_507_330_000, "BR-2": 4_088_915_000}
	list := []reading{}
	for _, key := range book.Keys(events.WaterSourceRegister) {
		id := events.WaterSourceID(key)
		if w, ok := book.WaterSource(id, at); ok && w.Meter != "" {
			list = append(list, reading{id, events.MeterRead{WaterSource: id, Meter: w.Meter, ReadingML: first[w.Meter]}})
		}
	}
	return list
}

// swap is a meter that was replaced, after its source's last draw of the day.
type swap struct {
	at   time.Time
	body events.MeterChanged
}

// swapped is the month's one replaced meter: the standpipe's that TM-01 carries. The
// register names the new one from the next day on.
func swapped(zone *time.Location) swap {
	return swap{local("2026-10-16", "18:55", zone), events.MeterChanged{WaterSource: "W-MAINS-1", Cause: events.MeterReplaced,
		Meter: "SP-4471", NextMeter: "SP-4519", StartML: 35_000, Note: "its glass was broken; the new one came with the maker's test water on it"}}
}

// of reports whether the swap is of a source and had been made by a time.
func (s *swap) of(source events.WaterSourceID, ms int64) bool {
	return s.body.WaterSource == source && s.at.UnixMilli() <= ms
}

// readMeters writes the meter readings into the refills, which must be all of
// the month: one meter serves several trucks, so each refill starts where the
// one before it ended, whoever made it. What a replaced meter showed at last goes
// into the swap.
func readMeters(refills []*events.Event, meters []reading, s *swap, rng *rand.Rand) {
	slices.SortFunc(refills, func(a, b *events.Event) int {
		return cmp.Or(cmp.Compare(a.Occurred.UnixMS, b.Occurred.UnixMS), cmp.Compare(a.ID, b.ID))
	})
	for _, m := range meters {
		at, before := m.body.ReadingML, true
		for _, e := range refills {
			r, ok := e.Body.(events.WaterRefilled)
			if !ok || r.WaterSource != m.source {
				continue
			}
			if before && s.of(m.source, e.Occurred.UnixMS) {
				s.body.FinalML, at, before = at, s.body.StartML, false
			}
			start, end := at, at+r.Volume.VolumeML+(rng.Int64N(13)-6)*1000
			r.MeterStartML, r.MeterEndML = &start, &end
			if rng.Int64N(100) < 25 {
				r.Volume = nil // the crew wrote the meter down and nothing else
			}
			e.Body, at = r, end
		}
	}
}

// readingsAt returns what the meters show at a time.
func readingsAt(refills []*events.Event, meters []reading, s *swap, at time.Time) []reading {
	shown := slices.Clone(meters)
	for i := range shown {
		after := s.of(shown[i].source, at.UnixMilli())
		if after {
			shown[i].body.Meter, shown[i].body.ReadingML = s.body.NextMeter, s.body.StartML
		}
		for _, e := range refills {
			if after && !s.of(shown[i].source, e.Occurred.UnixMS) {
				continue
			}
			r, ok := e.Body.(events.WaterRefilled)
			if ok && r.WaterSource == shown[i].source && e.Occurred.UnixMS <= at.UnixMilli() {
				shown[i].body.ReadingML = *r.MeterEndML
			}
		}
	}
	return shown
}
