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

// readMeters writes the meter readings into the refills, which must be all of
// the month: one meter serves several trucks, so each refill starts where the
// one before it ended, whoever made it.
func readMeters(refills []*events.Event, meters []reading, rng *rand.Rand) {
	slices.SortFunc(refills, func(a, b *events.Event) int {
		return cmp.Or(cmp.Compare(a.Occurred.UnixMS, b.Occurred.UnixMS), cmp.Compare(a.ID, b.ID))
	})
	for _, m := range meters {
		at := m.body.ReadingML
		for _, e := range refills {
			r, ok := e.Body.(events.WaterRefilled)
			if !ok || r.WaterSource != m.source {
				continue
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
func readingsAt(refills []*events.Event, meters []reading, at time.Time) []reading {
	shown := slices.Clone(meters)
	for i := range shown {
		for _, e := range refills {
			r, ok := e.Body.(events.WaterRefilled)
			if ok && r.WaterSource == shown[i].source && e.Occurred.UnixMS <= at.UnixMilli() {
				shown[i].body.ReadingML = *r.MeterEndML
			}
		}
	}
	return shown
}
