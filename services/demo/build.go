package demo

import (
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"time"

	"spoilbook/events"
	book "spoilbook/reports/register"
	"spoilbook/services/register"
)

// seed makes the month the same every time.
const seed = 20261001

// dice returns the random numbers that name stands for. Each shift has its own,
// so that a change to one day leaves the others as they were.
func dice(name string) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(name))
	return rand.New(rand.NewPCG(seed, h.Sum64()))
}

// builder holds the month while it is made.
type builder struct {
	zone    *time.Location
	book    *book.Book
	later   []events.RegisterRevised // revisions that take effect within the month
	regSeq  uint64
	crews   map[events.TruckID]*crew
	marks   map[string]events.Event
	worked  []worked
	tips    []tip
	refills []*events.Event
	meters  []reading
	swap    swap
	month   Month
}

// worked is a shift with what its truck recorded.
type worked struct {
	shift
	log []events.Event
}

// Build makes the month. The same program always returns the same events. An
// error means that the register files and the story contradict each other.
func Build() (Month, error) {
	b := &builder{zone: Zone(), crews: map[events.TruckID]*crew{}, marks: map[string]events.Event{}}
	if err := b.register(); err != nil {
		return Month{}, fmt.Errorf("build the demo month: %w", err)
	}
	for _, s := range shifts() {
		b.work(s)
	}
	for _, w := range b.worked {
		for i := range w.log {
			if w.log[i].Kind() == events.KindWaterRefilled {
				b.refills = append(b.refills, &w.log[i])
			}
		}
	}
	b.swap = swapped(b.zone)
	readMeters(b.refills, b.meters, &b.swap, dice("meters"))
	if err := b.publish(); err != nil {
		return Month{}, fmt.Errorf("build the demo month: %w", err)
	}
	for _, batch := range b.month.Batches {
		for i := range batch.Events {
			if err := batch.Events[i].Validate(); err != nil {
				return Month{}, fmt.Errorf("build the demo month: event %s of %q: %w", batch.Events[i].ID, batch.Note, err)
			}
		}
	}
	return b.month, nil
}

// register reads the files and publishes what holds when the month begins.
func (b *builder) register() error {
	revs, err := register.Read(Register())
	if err != nil {
		return err
	}
	recs, now := make([]events.Recorded, len(revs)), []events.RegisterRevised{}
	for i, r := range revs {
		recs[i] = events.Recorded{Event: events.Event{Body: r}, Position: uint64(i + 1)}
		if From().Before(r.EffectiveFrom) {
			b.later = append(b.later, r)
		} else {
			now = append(now, r)
		}
	}
	b.book = book.NewBook(recs)
	b.meters = metered(b.book, From())
	return b.revise("Register, as it stands on 1 October", now, local("2026-09-30", "16:00", b.zone))
}

func (b *builder) revise(note string, revs []events.RegisterRevised, at time.Time) error {
	list, err := register.Events(revs, nil, "register", b.regSeq+1, events.TimeOf(at))
	if err != nil {
		return err
	}
	b.regSeq += uint64(len(list))
	b.add(note, list)
	return nil
}

func (b *builder) add(note string, list []events.Event) {
	if len(list) > 0 {
		b.month.Batches = append(b.month.Batches, Batch{Note: note, Events: list})
	}
}

// work lets a truck's crew go through a shift.
func (b *builder) work(s shift) {
	c := b.crews[s.truck]
	if c == nil {
		unit, _ := b.book.Truck(s.truck, From())
		c = &crew{book: b.book, truck: s.truck, unit: unit, marks: b.marks, freshML: 600_000}
		b.crews[s.truck] = c
	}
	c.rng, c.log, c.tips = dice(s.date+string(s.truck)), nil, nil
	c.work(s, b.zone)
	b.worked = append(b.worked, worked{s, c.log})
	b.tips = append(b.tips, c.tips...)
}

// publish puts the batches into the order in which they reached the ledger.
func (b *builder) publish() error {
	o := &office{book: b.book, zone: b.zone, rng: dice("office"), marks: b.marks, swap: b.swap}
	for i, m := range b.meters {
		o.emit(local("2026-09-30", "17:00", b.zone).Add(time.Duration(3*i)*time.Minute), "", "", m.body)
	}
	b.add("Yard office, meters at the beginning of the month", o.log)
	for day := local("2026-10-01", "12:00", b.zone); ; day = day.AddDate(0, 0, 1) {
		date := day.Format(time.DateOnly)
		b.publishShifts(date, day)
		meters := readingsAt(b.refills, b.meters, &b.swap, local(date, "18:30", b.zone))
		b.add("Yard office, "+label(day), o.day(date, b.tips, meters))
		for _, r := range b.later {
			if local(day.AddDate(0, 0, 1).Format(time.DateOnly), "00:00", b.zone).UnixMilli() != r.EffectiveFrom.UnixMS {
				continue
			}
			note := fmt.Sprintf("Register, %s %s from %s", r.Document.Register(), r.Key, label(day.AddDate(0, 0, 1)))
			if err := b.revise(note, []events.RegisterRevised{r}, local(date, "16:00", b.zone)); err != nil {
				return err
			}
		}
		if date == afterMonth {
			return nil
		}
	}
}

// publishShifts adds the batches of a date, then those held until now.
func (b *builder) publishShifts(date string, day time.Time) {
	for _, w := range b.worked {
		if w.date != date || w.ugly.held != "" {
			continue
		}
		note := string(w.truck) + ", " + label(day)
		if w.ugly.note != "" {
			note += ": " + w.ugly.note
		}
		b.add(note, w.log)
		if n := w.ugly.repeat; n > 0 {
			b.add(note+": its last events sent again, the acknowledgement was lost", w.log[len(w.log)-n:])
		}
	}
	for _, w := range b.worked {
		if w.ugly.held == date {
			b.add(string(w.truck)+", "+label(local(w.date, "12:00", b.zone))+": "+w.ugly.note, w.log)
		}
	}
}

// label is a date as people say it.
func label(day time.Time) string { return day.Format("Mon 2 Jan") }
