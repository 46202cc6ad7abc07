package register_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports/register"
)

// revise is a recorded revision; its author says which one it is.
func revise(position uint64, key string, unixMS int64, d events.Document) events.Recorded {
	return events.Recorded{Position: position, Event: events.Event{Body: events.RegisterRevised{Key: key,
		EffectiveFrom: events.Time{UnixMS: unixMS}, Author: fmt.Sprint(position), Note: "n", Document: d}}}
}

func at(unixMS int64) events.Time { return events.Time{UnixMS: unixMS, OffsetMinutes: 60} }

func tax(percent events.Decimal) events.Tax { return events.Tax{Name: "VAT", RatePercent: percent} }

func TestAt(t *testing.T) {
	b := register.NewBook([]events.Recorded{
		revise(4, "VAT", 2000, tax("25")),
		revise(2, "VAT", 1000, tax("21")),
		revise(7, "VAT", 1000, tax("22")), // puts the one at position 2 right
		revise(3, "LOW", 1500, tax("9")),
		{Position: 8, Event: events.Event{Body: events.RestEnded{}}},
		{Position: 9, Event: events.Event{Body: events.RegisterRevised{Key: "VAT"}}}, // no document
	})
	for _, c := range []struct {
		key  string
		ms   int64
		want events.Decimal
	}{
		{"VAT", 999, ""}, {"VAT", 1000, "22"}, {"VAT", 1001, "22"}, {"VAT", 1999, "22"}, {"VAT", 2000, "25"}, {"VAT", 1 << 60, "25"},
		{"LOW", 1499, ""}, {"LOW", 1500, "9"}, {"none", 5000, ""},
	} {
		got, ok := b.Tax(events.TaxID(c.key), at(c.ms))
		if got.RatePercent != c.want || ok != (c.want != "") {
			t.Errorf("%s at %d: %+v, %v; want %s", c.key, c.ms, got, ok, c.want)
		}
	}
	if b.Position() != 7 || b.Revisions() != 4 {
		t.Errorf("position %d, %d revisions", b.Position(), b.Revisions())
	}
	if !b.Known(events.TaxRegister, "VAT") || b.Known(events.TaxRegister, "none") || b.Known(events.CalendarRegister, "VAT") {
		t.Error("Known")
	}
	if got := b.Keys(events.TaxRegister); !slices.Equal(got, []string{"LOW", "VAT"}) {
		t.Errorf("keys %v", got)
	}
	history := b.History(events.TaxRegister, "VAT")
	if len(history) != 3 || history[0].Position != 2 || history[1].Position != 7 || history[2].Position != 4 {
		t.Errorf("history %+v", history)
	}
	if r := history[0]; r.Register != events.TaxRegister || r.Key != "VAT" || r.Author != "2" || r.Note != "n" {
		t.Errorf("revision %+v", r)
	}
	history[0].Author = "changed"
	if b.History(events.TaxRegister, "VAT")[0].Author != "2" {
		t.Error("the book can be changed from outside")
	}
}

func TestEmptyBook(t *testing.T) {
	b := register.NewBook(nil)
	if _, ok := b.At(events.TaxRegister, "VAT", at(1)); ok || b.Position() != 0 || len(b.Keys(events.TaxRegister)) != 0 || len(b.History(events.TaxRegister, "VAT")) != 0 {
		t.Error("an empty book answers")
	}
}

// Each register has its own answer, and a key of one is not a key of another.
func TestEveryRegister(t *testing.T) {
	recs := []events.Recorded{}
	for i, d := range []events.Document{events.Carrier{Name: "a"}, events.Truck{Name: "b"}, events.Operator{Name: "c"}, events.Client{Name: "d"},
		events.Job{Name: "e"}, events.Material{Description: "f"}, events.Facility{Name: "g"}, events.WaterSource{Name: "h"}, events.Outfall{Name: "i"},
		events.RateCard{Name: "j"}, events.Calendar{Name: "k"}, events.Tax{Name: "l"}} {
		recs = append(recs, revise(uint64(i+1), "K", 1000, d))
	}
	b := register.NewBook(recs)
	now := at(1000)
	got := ""
	add := func(name string, ok bool) {
		if !ok {
			name = "?"
		}
		got += name
	}
	carrier, ok := b.Carrier("K", now)
	add(carrier.Name, ok)
	truck, ok := b.Truck("K", now)
	add(truck.Name, ok)
	operator, ok := b.Operator("K", now)
	add(operator.Name, ok)
	client, ok := b.Client("K", now)
	add(client.Name, ok)
	job, ok := b.Job("K", now)
	add(job.Name, ok)
	material, ok := b.Material("K", now)
	add(material.Description, ok)
	facility, ok := b.Facility("K", now)
	add(facility.Name, ok)
	source, ok := b.WaterSource("K", now)
	add(source.Name, ok)
	outfall, ok := b.Outfall("K", now)
	add(outfall.Name, ok)
	card, ok := b.RateCard("K", now)
	add(card.Name, ok)
	calendar, ok := b.Calendar("K", now)
	add(calendar.Name, ok)
	vat, ok := b.Tax("K", now)
	add(vat.Name, ok)
	if got != "abcdefghijkl" {
		t.Errorf("answers %s", got)
	}
}

// The answer is the revision in force that a search through all of them finds,
// whatever the order in which they are handed over.
func TestBookAgreesWithASearch(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		recs := []events.Recorded{}
		for i := range rapid.IntRange(0, 20).Draw(t, "revisions") {
			key := rapid.SampledFrom([]string{"A", "B"}).Draw(t, "key")
			recs = append(recs, revise(uint64(i+1), key, rapid.Int64Range(-3, 3).Draw(t, "from"), tax(events.Decimal(fmt.Sprint(i)))))
		}
		random := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		random.Shuffle(len(recs), func(a, b int) { recs[a], recs[b] = recs[b], recs[a] })
		b := register.NewBook(recs)
		for _, key := range []string{"A", "B"} {
			for ms := int64(-4); ms <= 4; ms++ {
				var want *events.Recorded
				for i := range recs {
					r := recs[i].Body.(events.RegisterRevised)
					if r.Key != key || r.EffectiveFrom.UnixMS > ms {
						continue
					}
					if want == nil || r.EffectiveFrom.UnixMS > want.Body.(events.RegisterRevised).EffectiveFrom.UnixMS ||
						r.EffectiveFrom.UnixMS == want.Body.(events.RegisterRevised).EffectiveFrom.UnixMS && recs[i].Position > want.Position {
						want = &recs[i]
					}
				}
				got, ok := b.At(events.TaxRegister, key, at(ms))
				if ok != (want != nil) || ok && got.Position != want.Position {
					t.Fatalf("%s at %d: position %d, %v", key, ms, got.Position, ok)
				}
			}
		}
	})
}
