package naive_test

import (
	"fmt"
	"math/big"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports/naive"
)

func (s *teller) volume(most int64) *events.Volume {
	v := evenly(s.t, "mL", 0, most)
	if s.chance(20) {
		v = rapid.Int64Range(0, most).Draw(s.t, "small mL")
	}
	if s.chance(30) {
		v = v / 250_000 * 250_000
	}
	return &events.Volume{VolumeML: v, Basis: pick(s, "basis", events.Measured, events.Derived, events.Assumed),
		ToleranceML: pick(s, "tolerance", 0, v/50)}
}

// load fills the tank; what entered is known in one or more of the four ways,
// and now and then in one that can not be true.
func (s *teller) load(job events.JobID) {
	from, to, occurred := s.interval(40 * minute)
	if s.chance(10) {
		job = pick(s, "another job", jobs...)
	}
	b := events.LoadCollected{Start: from, End: to, Material: pick(s, "material", events.MaterialID("M-CLAY"), "M-CLAY", "M-PEAT", "M-GRIT", "M-SILT", "M-UNKNOWN")}
	ways := evenly(s.t, "ways", 1, 15)
	volume := s.volume(4_000_000)
	if ways&1 != 0 || ways&2 != 0 {
		b.SlurryVolume = volume
	}
	if ways&1 != 0 || ways&4 != 0 {
		density := evenly(s.t, "kg/m3", 1000, 1500)
		if volume.VolumeML > 100 && s.chance(4) { // a few grams can be rounded into what is possible
			density = pick(s, "impossible", int64(900), 3000)
		}
		b.SlurryMass = &events.Mass{MassG: volume.VolumeML * density / 1000, Basis: events.Measured}
	}
	if ways&8 != 0 {
		b.Bank = &events.BankSoil{Volume: *s.volume(2_000_000)}
		if s.chance(50) {
			b.Bank.BulkDensityGPerM3 = evenly(s.t, "g/m3", 1_500_000, 2_100_000)
		}
		if s.chance(50) {
			ppm := evenly(s.t, "ppm", 0, 250_000)
			b.Bank.MoisturePPM = &ppm
		}
	}
	if s.chance(60) {
		b.JettingWater = s.volume(1_500_000)
	}
	s.sayAt(occurred, job, b)
}

func (s *teller) decant(job events.JobID) {
	from, to, occurred := s.interval(20 * minute)
	b := events.WaterDecanted{Start: from, End: to, Volume: *s.volume(1_500_000), Outfall: pick(s, "outfall", events.OutfallID("O-SEWER"), "O-SEWER", "")}
	if s.chance(25) {
		g := evenly(s.t, "decant g/m3", 995_000, 1_120_000)
		b.DensityGPerM3 = &g
	}
	if s.chance(25) {
		mg := evenly(s.t, "mg/L", 0, 60_000)
		b.SuspendedSolidsMGPerL = &mg
	}
	s.sayAt(occurred, job, b)
}

func (s *teller) tip(where events.FacilityID) {
	from, to, occurred := s.interval(15 * minute)
	s.now = to.UnixMS // two tips at once would be of one stop or of two, as one likes
	b := events.SpoilTipped{Start: from, End: to, Facility: where}
	switch evenly(s.t, "how much", 0, 5) {
	case 0, 1, 2:
		b.Whole = true
	case 3:
		b.Volume = s.volume(3_000_000)
	case 4:
		b.Mass = &events.Mass{MassG: s.volume(4_000_000).VolumeML, Basis: events.Measured}
	case 5:
		b.PortionPPM = evenly(s.t, "portion", 1, 1_000_000)
	}
	s.sayAt(occurred, "", b)
}

// giveBack returns spoil of one of the tips so far, most often of the last one, and
// now and then of none or at a facility that the tip was not at.
func (s *teller) giveBack(where events.FacilityID) {
	from, to, occurred := s.interval(15 * minute)
	s.now = to.UnixMS
	b := events.SpoilReturned{Start: from, End: to, Facility: where, Reason: events.RefusedContents, Tip: events.Ref{Source: events.TruckSource(truck), ID: "E9999"}}
	tips := []events.Event{}
	for _, e := range s.said {
		if e.Kind() == events.KindSpoilTipped {
			tips = append(tips, e)
		}
	}
	if len(tips) > 0 && !s.chance(5) {
		of := tips[len(tips)-1]
		if s.chance(25) {
			of = pick(s, "of tip", tips...)
		}
		b.Tip = of.Ref()
		b.Facility = of.Body.(events.SpoilTipped).Facility
		if s.chance(10) {
			b.Facility = pick(s, "returned by", events.FacilityID("F-PIT"), "F-WET")
		}
	}
	switch evenly(s.t, "how much back", 0, 4) {
	case 0, 1:
		b.Whole = true
	case 2:
		b.Volume = s.volume(1_500_000)
	case 3:
		b.Mass = &events.Mass{MassG: s.volume(2_500_000).VolumeML, Basis: events.Measured}
	case 4:
		b.PortionPPM = evenly(s.t, "portion back", 1, 1_000_000)
	}
	s.sayAt(occurred, "", b)
}

// tellTwin tells what another truck with the same number plate did meanwhile: loads
// that are known by mass and volume, and tips of the whole tank.
func (s *teller) tellTwin() []events.Event {
	list := []events.Event{}
	for at := s.start.unixMS; s.chance(70) && len(list) < 12; at += hour {
		volume := evenly(s.t, "twin mL", 1000, 3_000_000)
		var body events.Body = events.LoadCollected{Start: s.time(at - minute), End: s.time(at), Material: "M-GRIT",
			SlurryVolume: &events.Volume{VolumeML: volume, Basis: events.Measured}, SlurryMass: &events.Mass{MassG: volume * 6 / 5, Basis: events.Measured}}
		if s.chance(30) {
			body = events.SpoilTipped{Start: s.time(at - minute), End: s.time(at), Facility: "F-PIT", Whole: true}
		}
		seq := uint64(len(list) + 1)
		list = append(list, events.Event{ID: fmt.Sprint("T", seq), Source: events.TruckSource(twin), Seq: seq, Occurred: s.time(at), Truck: twin,
			Job: "J-1", Operator: "OP-2", Origin: events.FromCrew, Body: body})
	}
	return list
}

func (s *teller) refill() {
	from, to, occurred := s.interval(20 * minute)
	b := events.WaterRefilled{Start: from, End: to, WaterSource: pick(s, "source", events.WaterSourceID("S-MAINS"), "S-UNKNOWN")}
	how := evenly(s.t, "known by", 1, 3)
	if how&1 != 0 {
		b.Volume = s.volume(1_800_000)
	}
	if how&2 != 0 {
		first := evenly(s.t, "meter", 0, 1_000_000_000)
		last := first + evenly(s.t, "drawn", 0, 1_800_000)
		if s.chance(4) {
			first, last = last, first
		}
		b.MeterStartML, b.MeterEndML = &first, &last
	}
	s.sayAt(occurred, "", b)
}

func (s *teller) use(job events.JobID) {
	from, to, occurred := s.interval(10 * minute)
	s.sayAt(occurred, job, events.WaterUsed{Start: from, End: to, Purpose: pick(s, "purpose", events.ForWashing, events.ForFlushing),
		Volume: *s.volume(400_000), IntoDebrisTank: s.chance(50)})
}

// gauge reads a level as a volume or in millimetres, at random or near what a tank of
// so much would show, so that some lie within the tolerance.
func (s *teller) gauge(tank events.Tank) {
	if s.chance(25) {
		level := evenly(s.t, "level", 0, 1900)
		s.say("", events.TankGauged{Tank: tank, LevelMM: &level})
		return
	}
	if held, ok := s.guess(tank); ok && s.chance(60) {
		off := evenly(s.t, "off", -80, 80)
		v := events.Volume{VolumeML: max(1, held*(1000+off)/1000), Basis: events.Measured}
		v.ToleranceML = pick(s, "gauge tolerance", 0, v.VolumeML/40)
		s.say("", events.TankGauged{Tank: tank, Volume: v})
		return
	}
	s.say("", events.TankGauged{Tank: tank, Volume: *s.volume(pick(s, "most", int64(0), 2_000_000, 6_000_000))})
}

// guess returns what a tank holds by what was said so far.
func (s *teller) guess(which events.Tank) (ml int64, ok bool) {
	l := naive.Ledger{Entries: s.said, Revisions: registers(s.time(s.start.unixMS))}
	t, _ := l.TankAfter(len(s.said), naive.Options{})
	held := t.FreshML
	if which == events.DebrisTank {
		held = t.VolumeML()
	}
	ml = new(big.Int).Quo(held.Num(), held.Denom()).Int64()
	return ml, ml > 1000
}

// dockets come days later: one for most tips, and some for the wrong one, twice
// or from another facility.
func (s *teller) dockets() {
	s.now += 48 * hour
	for _, e := range s.said {
		tip, ok := e.Body.(events.SpoilTipped)
		if !ok || s.chance(20) {
			continue
		}
		for range pick(s, "dockets", 1, 1, 1, 2) {
			s.wait(hour)
			b := events.DocketReceived{Tip: e.Ref(), Facility: tip.Facility, Number: fmt.Sprint("D", len(s.said)), WeighedAt: s.time(tip.End.UnixMS + pick(s, "weighed later", 0, 0, 30*minute, 24*hour)),
				NetG: evenly(s.t, "net", 0, 400) * 20_000, ScaleIntervalG: 20_000}
			if s.chance(5) {
				b.Facility = "F-OTHER"
			}
			if s.chance(5) {
				b.Tip.ID = "E9999"
			}
			s.say("", b)
		}
	}
}
