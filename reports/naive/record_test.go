package naive_test

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports/naive"
)

// eachDay runs a check on generated days, as many of each start as rapid is asked
// for.
func eachDay(t *testing.T, check func(*rapid.T, day)) {
	for i, begin := range starts(t) {
		t.Run(fmt.Sprint(i, " ", begin.zone), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) { check(t, tellDay(t, begin).record()) })
		})
	}
}

// record turns what was told into a ledger: some entries come wrong and are put
// right, some never happened and are voided, and they come in any order in which
// a change follows what it changes.
func (s *teller) record() day {
	revisions := registers(s.time(s.start.unixMS))
	d := day{start: s.start, truth: naive.Ledger{Entries: s.said, Revisions: revisions}}
	var chains [][]events.Event
	desk := uint64(0)
	office := func(body events.Body) events.Event {
		desk++
		return events.Event{ID: fmt.Sprint("Y", desk), Source: events.OfficeSource("yard"), Seq: desk, Occurred: s.time(s.now + 24*hour),
			Origin: events.FromOffice, Body: body}
	}
	correct := func(ref events.Ref, e events.Event) events.Event {
		return office(events.EntryCorrected{Refers: ref, Reason: "wrong", Author: "Yard",
			Replacement: events.Replacement{Occurred: e.Occurred, Operator: e.Operator, Job: e.Job, Body: e.Body}})
	}
	void := func(ref events.Ref) events.Event {
		return office(events.EntryVoided{Refers: ref, Reason: "wrong", Author: "Yard"})
	}
	for _, e := range s.said {
		chain := []events.Event{e}
		switch evenly(s.t, "record", 0, 19) {
		case 0: // wrong, then put right
			chain = []events.Event{s.mistaken(e), correct(e.Ref(), e)}
		case 1: // wrong, put wrong again, then put right by naming the correction
			again := correct(e.Ref(), s.mistaken(e))
			chain = []events.Event{s.mistaken(e), again, correct(again.Ref(), e)}
		case 2: // right, put wrong, and that withdrawn
			slip := correct(e.Ref(), s.mistaken(e))
			chain = append(chain, slip, void(slip.Ref()))
		case 3: // voided by mistake, and that withdrawn
			slip := void(e.Ref())
			chain = append(chain, slip, void(slip.Ref()))
		case 4: // something that never happened, voided
			never := s.mistaken(e)
			never.ID, never.Seq = "N"+e.ID, e.Seq+1000
			chains = append(chains, []events.Event{never, void(never.Ref())})
		}
		chains = append(chains, chain)
	}
	d.twin = naive.Ledger{Entries: s.tellTwin(), Revisions: revisions}
	for _, e := range d.twin.Entries {
		chains = append(chains, []events.Event{e})
	}
	for i, r := range revisions {
		e := office(r)
		e.ID = fmt.Sprint("R", i)
		d.recorded = append(d.recorded, events.Recorded{Event: e, Position: uint64(i + 1)})
	}
	for len(chains) > 0 {
		i := rapid.IntRange(0, min(3, len(chains)-1)).Draw(s.t, "next")
		d.recorded = append(d.recorded, events.Recorded{Event: chains[i][0], Position: uint64(len(d.recorded) + 1)})
		if chains[i] = chains[i][1:]; len(chains[i]) == 0 {
			chains = append(chains[:i], chains[i+1:]...)
		}
	}
	return d
}

// mistaken returns e as somebody might have got it wrong: at another time, for
// another job, or as another amount.
func (s *teller) mistaken(e events.Event) events.Event {
	e.Occurred = s.time(e.Occurred.UnixMS + evenly(s.t, "off", -90, 90)*minute)
	if e.Job != "" {
		e.Job = "J-WRONG"
	}
	const volume = 123_457
	switch b := e.Body.(type) {
	case events.LoadCollected:
		b.SlurryVolume, b.SlurryMass, b.Bank = &events.Volume{VolumeML: volume, Basis: events.Measured}, nil, nil
		e.Body = b
	case events.WaterDecanted:
		b.Volume.VolumeML = volume
		e.Body = b
	case events.SpoilTipped:
		b.Whole, b.Volume, b.Mass, b.PortionPPM = false, nil, nil, volume
		e.Body = b
	case events.SpoilReturned:
		b.Whole, b.Volume, b.Mass, b.PortionPPM = false, nil, nil, volume
		e.Body = b
	case events.WaterRefilled:
		b.Volume = &events.Volume{VolumeML: volume, Basis: events.Measured}
		e.Body = b
	}
	return e
}
