package yard_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/yard"
)

// clock is a time of 5 October 2026 in Tarnmoor.
func clock(text string) events.Time {
	return events.MustTime("2026-10-05T" + text + ":00.000+01:00")
}

type day struct{ recs []events.Recorded }

func newDay() *day {
	d := &day{}
	d.add("05:00", "", "", events.RegisterRevised{Key: "TM-01", EffectiveFrom: events.MustTime("2026-01-01T00:00:00.000Z"), Author: "Yard office",
		Document: events.Truck{Name: "Heron", Registration: "261-TR-101", Carrier: "TARNMOOR", DebrisCapacityL: 8000, FreshCapacityL: 2000, TareKg: 14000, PermittedGrossKg: 26000}})
	return d
}

func (d *day) add(at string, truck events.TruckID, job events.JobID, body events.Body) {
	n := uint64(len(d.recs) + 1)
	source := events.Source("/office/register")
	if truck != "" {
		source = events.TruckSource(truck)
	}
	d.recs = append(d.recs, events.Recorded{Position: n, At: clock(at), Event: events.Event{ID: fmt.Sprint(n), Source: source, Seq: n, Occurred: clock(at),
		Truck: truck, Job: job, Operator: "OP-1", Origin: events.FromCrew, Body: body}})
}

func (d *day) at(t *testing.T, moment string) yard.Standing {
	t.Helper()
	r := yard.Compute(reports.Resolve(d.recs, uint64(len(d.recs))), []events.TruckID{"TM-01"}, clock(moment), yard.Options{})
	if len(r.Trucks) != 1 {
		t.Fatalf("%d trucks", len(r.Trucks))
	}
	return r.Trucks[0]
}

func whats(s yard.Standing) string {
	var list []string
	for _, n := range s.Next {
		list = append(list, string(n.Urgency)+" "+string(n.What))
	}
	return strings.Join(list, ", ")
}

func measured(litres int64) *events.Volume {
	return &events.Volume{VolumeML: litres * 1000, Basis: events.Measured, ToleranceML: litres * 10}
}

func load(from, to string, litres int64) events.LoadCollected {
	return events.LoadCollected{Start: clock(from), End: clock(to), Material: "M-CLAY", SlurryVolume: measured(litres), SlurryMass: &events.Mass{MassG: litres * 1400, Basis: events.Measured, ToleranceG: litres * 14}}
}

// The morning of the package comment.
func morning() *day {
	d := newDay()
	d.add("06:30", "TM-01", "", events.ShiftStarted{Crew: []events.OperatorID{"OP-2"}})
	d.add("06:35", "TM-01", "", events.TankGauged{Tank: events.FreshTank, Volume: events.Volume{VolumeML: 2_000_000, Basis: events.Measured}})
	d.add("07:40", "TM-01", "J-101", events.SiteArrived{})
	d.add("08:30", "TM-01", "J-101", load("08:00", "08:30", 3000))
	d.add("09:20", "TM-01", "J-101", load("08:50", "09:20", 3320))
	d.add("09:31", "TM-01", "J-101", events.EmergencyStopPressed{Station: events.StationRear, Cause: "hose burst"})
	return d
}

func TestAStopOnSite(t *testing.T) {
	d := morning()
	s := d.at(t, "09:45")
	if s.Where != yard.AtSite || s.Job != "J-101" || s.WhereSince != clock("07:40") || s.ShiftSince != clock("06:30") || s.Driver != "OP-1" || !slices.Equal(s.Crew, []events.OperatorID{"OP-2"}) {
		t.Errorf("where: %+v", s)
	}
	if s.Doing != events.Stopped || s.DoingSince != clock("09:31") || s.LastHeard != clock("09:31") || s.Position != 7 {
		t.Errorf("doing: %+v", s)
	}
	if s.Debris.VolumeML != 6_320_000 || s.Debris.CapacityML != 8_000_000 || s.Debris.FullPermille() != 790 || s.Fresh.VolumeML != 2_000_000 {
		t.Errorf("tanks: %+v %+v", s.Debris, s.Fresh)
	}
	// Both volumes are good to 1 %, rectangular: 2/sqrt(3) of the root of 30^2 + 33.2^2 litres.
	if got := s.Debris.ToleranceML; got < 51_600 || got > 51_700 {
		t.Errorf("tolerance %d mL, want 51 668", got)
	}
	if got := whats(s); got != "at-once restart-after-stop" || s.Next[0].Cites[0] != 7 {
		t.Errorf("next: %s", got)
	}
	d.add("09:50", "TM-01", "J-101", events.EmergencyStopReset{Inspected: true})
	if s := d.at(t, "09:52"); s.Doing != events.Stopped || whats(s) != "soon restart-after-stop" {
		t.Errorf("after the reset: %s, %s", s.Doing, whats(s))
	}
	d.add("09:55", "TM-01", "J-101", events.PlantRestarted{})
	if s := d.at(t, "09:56"); s.Doing != events.OnSite || s.DoingSince != clock("07:40") || s.Next != nil {
		t.Errorf("after the restart: %s since %s, %s", s.Doing, s.DoingSince, whats(s))
	}
}

func TestTheWayThroughTheDay(t *testing.T) {
	d := morning()
	d.add("09:55", "TM-01", "J-101", events.PlantRestarted{})
	d.add("10:30", "TM-01", "J-101", load("10:00", "10:30", 1000))
	d.add("10:31", "TM-01", "J-101", events.StandbyStarted{Cause: events.AwaitingClient})
	d.add("11:30", "TM-01", "J-101", events.StandbyEnded{})
	d.add("11:35", "TM-01", "J-101", events.SiteLeft{})
	d.add("12:00", "TM-01", "", events.FacilityArrived{Facility: "F-1"})
	d.add("12:20", "TM-01", "", events.SpoilTipped{Start: clock("12:10"), End: clock("12:20"), Facility: "F-1", Whole: true})
	d.add("12:40", "TM-01", "", events.FacilityLeft{Facility: "F-1"})
	d.add("12:45", "TM-01", "", events.RestStarted{})
	d.add("13:15", "TM-01", "", events.RestEnded{})
	d.add("15:00", "TM-01", "", events.ShiftEnded{})
	for _, c := range []struct {
		at    string
		where yard.Where
		doing events.Activity
		since string
		next  string
	}{
		{"06:00", yard.OffShift, "", "", ""},
		{"06:40", yard.OnTheRoad, events.Travel, "06:30", ""},
		{"08:10", yard.AtSite, events.Loading, "08:00", ""},
		{"08:40", yard.AtSite, events.OnSite, "07:40", ""},
		{"10:45", yard.AtSite, events.Standby, "10:31", "soon decant-first"},
		{"11:20", yard.AtSite, events.Standby, "10:31", "soon decant-first, later end-standby"},
		{"11:40", yard.OnTheRoad, events.Travel, "11:35", "soon decant-first"},
		{"12:05", yard.AtFacility, events.FullDump, "12:00", "soon decant-first"},
		{"12:15", yard.AtFacility, events.FullDump, "12:10", "soon decant-first"},
		{"12:30", yard.AtFacility, events.FullDump, "12:00", ""},
		{"13:00", yard.OnTheRoad, events.Rest, "12:45", ""},
		{"14:00", yard.OnTheRoad, events.Travel, "12:40", ""},
		{"15:30", yard.OffShift, "", "", ""},
	} {
		s := d.at(t, c.at)
		since := events.Time{}
		if c.since != "" {
			since = clock(c.since)
		}
		if s.Where != c.where || s.Doing != c.doing || s.DoingSince != since || whats(s) != c.next {
			t.Errorf("%s: %s, %s since %s, next %q; want %+v", c.at, s.Where, s.Doing, s.DoingSince, whats(s), c)
		}
	}
}

func TestWhatHasToHappen(t *testing.T) {
	for name, c := range map[string]struct {
		change func(d *day)
		at     string
		want   string
	}{
		"nothing was heard":   {func(*day) {}, "11:31", "at-once restart-after-stop, soon report-in"},
		"a shift without end": {func(d *day) { d.add("18:00", "TM-01", "J-101", events.PlantRestarted{}) }, "18:31", "soon end-shift"},
		"over capacity":       {func(d *day) { d.add("09:40", "TM-01", "J-101", load("09:35", "09:40", 3000)) }, "09:45", "at-once restart-after-stop, at-once empty-tank"},
		"spoil overnight":     {func(d *day) { d.add("09:50", "TM-01", "", events.ShiftEnded{}) }, "20:00", "later empty-tank"},
		"little fresh water": {func(d *day) {
			d.add("09:40", "TM-01", "J-101", events.TankGauged{Tank: events.FreshTank, Volume: events.Volume{VolumeML: 200_000, Basis: events.Measured}})
		}, "09:45", "at-once restart-after-stop, soon refill-water"},
	} {
		t.Run(name, func(t *testing.T) {
			d := morning()
			c.change(d)
			if got := whats(d.at(t, c.at)); got != c.want {
				t.Errorf("next: %s; want %s", got, c.want)
			}
		})
	}
}

func TestTrucksOfTheRegisterAndOfNone(t *testing.T) {
	d := newDay()
	d.add("06:30", "TM-09", "", events.ShiftStarted{})
	r := yard.Compute(reports.Resolve(d.recs, 2), nil, clock("07:00"), yard.Options{})
	if len(r.Trucks) != 2 || r.Trucks[0].Truck != "TM-01" || r.Trucks[1].Truck != "TM-09" || r.Position != 2 {
		t.Fatalf("trucks: %+v", r.Trucks)
	}
	if s := r.Trucks[0]; s.Where != yard.OffShift || !s.LastHeard.IsZero() || s.Name != "Heron" || s.Next != nil {
		t.Errorf("a truck without entries: %+v", s)
	}
	if s := r.Trucks[1]; s.Name != "" || whats(s) != "later put-register-right" {
		t.Errorf("a truck that the register lacks: %+v", s)
	}
	if r := yard.Compute(reports.Resolve(d.recs, 2), nil, events.MustTime("2025-12-31T00:00:00.000Z"), yard.Options{}); len(r.Trucks) != 1 {
		t.Errorf("before the register had the truck: %+v", r.Trucks)
	}
}

// What occurred after the moment changes only what is seen to be under way at it.
func TestTheFutureIsNotLookedAt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := newDay()
		minute := 360
		for range rapid.IntRange(0, 30).Draw(t, "entries") {
			minute += rapid.IntRange(1, 40).Draw(t, "gap")
			at := fmt.Sprintf("%02d:%02d", minute/60%24, minute%60)
			if minute >= 24*60 {
				break
			}
			d.add(at, "TM-01", rapid.SampledFrom([]events.JobID{"J-1", "J-2"}).Draw(t, "job"), rapid.SampledFrom([]events.Body{
				events.ShiftStarted{}, events.ShiftEnded{}, events.SiteArrived{}, events.SiteLeft{}, events.FacilityArrived{Facility: "F-1"}, events.FacilityLeft{Facility: "F-1"},
				events.StandbyStarted{Cause: events.Weather}, events.StandbyEnded{}, events.RestStarted{}, events.RestEnded{}, events.PlantRestarted{},
				events.EmergencyStopPressed{Station: events.StationRear}, events.EmergencyStopReset{},
			}).Draw(t, "body"))
		}
		n := rapid.IntRange(1, len(d.recs)).Draw(t, "cut")
		at := d.recs[n-1].Occurred
		whole := yard.Compute(reports.Resolve(d.recs, uint64(len(d.recs))), nil, at, yard.Options{}).Trucks
		part := yard.Compute(reports.Resolve(d.recs[:n], uint64(n)), nil, at, yard.Options{}).Trucks
		if fmt.Sprintf("%+v", whole) != fmt.Sprintf("%+v", part) {
			t.Fatalf("at %s with all:\n%+v\nwithout what came after:\n%+v", at, whole, part)
		}
		for _, s := range whole {
			if (s.ShiftSince.IsZero()) != (s.Where == yard.OffShift || s.Doing == events.Unexplained) || s.Doing != "" && s.DoingSince.IsZero() || at.Before(s.DoingSince) {
				t.Fatalf("contradicts itself: %+v", s)
			}
		}
	})
}

func TestLimitsCanBeChosen(t *testing.T) {
	d := morning()
	r := yard.Compute(reports.Resolve(d.recs, uint64(len(d.recs))), []events.TruckID{"TM-01"}, clock("09:45"), yard.Options{FullPermille: 500, DecantLeastML: 9_000_000, SilentFor: time.Minute})
	if got := whats(r.Trucks[0]); got != "at-once restart-after-stop, soon empty-tank, soon report-in" {
		t.Errorf("next: %s", got)
	}
}
