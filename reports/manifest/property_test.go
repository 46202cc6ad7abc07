package manifest

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
)

// drawStory makes any mixture of loads, decants, tips, gauges, wash-outs and
// dockets of two trucks, jobs and materials, the impossible included: tips of empty
// tanks, decants beyond what is held, entries out of order.
func drawStory(rt *rapid.T) *story {
	s := newStory()
	s.revise("O-2", events.Outfall{Name: "Sewer", To: "foul sewer", TimeZone: "Europe/Dublin"})
	n := rapid.IntRange(1, 25).Draw(rt, "events")
	tips := []int{}
	for i := range n {
		truck := rapid.SampledFrom([]events.TruckID{"TM-01", "TM-02"}).Draw(rt, "truck")
		job := rapid.SampledFrom([]events.JobID{"J-101", "J-102", "J-404"}).Draw(rt, "job")
		when := fmt.Sprintf("%02d %02d:%02d", 5+i/6, 6+(i%6)*2, rapid.IntRange(0, 59).Draw(rt, "minute"))
		body := drawBody(rt, when)
		if len(tips) > 0 && rapid.IntRange(0, 5).Draw(rt, "given back") == 0 {
			body = drawReturn(rt, when, s.recs[rapid.SampledFrom(tips).Draw(rt, "tip")])
		}
		if _, isTip := body.(events.SpoilTipped); isTip {
			tips = append(tips, len(s.recs))
			if rapid.Bool().Draw(rt, "tip without a job") {
				job = ""
			}
		}
		s.truck(truck, when, job, body)
	}
	for _, i := range tips {
		if tip := s.recs[i]; rapid.Bool().Draw(rt, "docket") {
			body, _ := tip.Body.(events.SpoilTipped)
			s.add(events.Event{Source: events.OfficeSource("yard"), Truck: tip.Truck, Occurred: at("12 09:00"), Origin: events.FromOffice,
				Body: events.DocketReceived{Tip: tip.Ref(), Facility: body.Facility, Number: fmt.Sprintf("D-%d", i), WeighedAt: tip.Occurred,
					NetG: rapid.Int64Range(0, 12_000_000).Draw(rt, "net")}})
		}
	}
	return s
}

func drawBody(rt *rapid.T, when string) events.Body {
	end := at(when)
	start := before(end, 5)
	volume := events.Volume{VolumeML: rapid.Int64Range(0, 3_000_000).Draw(rt, "mL"), Basis: events.Measured}
	facility := rapid.SampledFrom([]events.FacilityID{"F-LAND", "F-WET", "F-404"}).Draw(rt, "facility")
	switch rapid.IntRange(0, 9).Draw(rt, "kind") {
	case 0, 1, 2:
		material := rapid.SampledFrom([]events.MaterialID{"M-CLAY", "M-SAND", "M-OIL"}).Draw(rt, "material")
		load := events.LoadCollected{Start: start, End: end, Material: material, SlurryVolume: &volume}
		if rapid.Bool().Draw(rt, "weighed") {
			load.SlurryMass = &events.Mass{MassG: volume.VolumeML + rapid.Int64Range(0, 1_000_000).Draw(rt, "g"), Basis: events.Derived}
		}
		return load
	case 3:
		turbid := rapid.Int64Range(0, 1_000_000).Draw(rt, "mg/L")
		return events.WaterDecanted{Start: start, End: end, Volume: volume, SuspendedSolidsMGPerL: &turbid,
			Outfall: rapid.SampledFrom([]events.OutfallID{"", "O-1", "O-2"}).Draw(rt, "outfall")}
	case 4:
		return events.SpoilTipped{Start: start, End: end, Facility: facility, Whole: true}
	case 5:
		return events.SpoilTipped{Start: start, End: end, Facility: facility, PortionPPM: rapid.Int64Range(1, 1_000_000).Draw(rt, "ppm")}
	case 6:
		return events.SpoilTipped{Start: start, End: end, Facility: facility, Volume: &volume}
	case 8:
		return events.SpoilRefused{Facility: facility, Reason: events.RefusedTooWet}
	case 7:
		return events.TankGauged{Tank: events.DebrisTank, Volume: volume}
	}
	return events.WaterUsed{Start: start, End: end, Purpose: events.ForWashing, Volume: volume,
		IntoDebrisTank: rapid.Bool().Draw(rt, "into the debris tank")}
}

// drawReturn is a return of a tip of some truck, and at some facility, not always the
// ones that return it.
func drawReturn(rt *rapid.T, when string, tip events.Recorded) events.SpoilReturned {
	of, _ := tip.Body.(events.SpoilTipped)
	r := events.SpoilReturned{Start: before(at(when), 5), End: at(when), Tip: tip.Ref(), Reason: events.RefusedContents,
		Facility: rapid.SampledFrom([]events.FacilityID{of.Facility, of.Facility, "F-WET"}).Draw(rt, "returned by")}
	switch rapid.IntRange(0, 2).Draw(rt, "how much") {
	case 0:
		r.Whole = true
	case 1:
		r.Mass = &events.Mass{MassG: rapid.Int64Range(0, 4_000_000).Draw(rt, "returned g"), Basis: events.Measured}
	default:
		r.PortionPPM = rapid.Int64Range(1, 1_000_000).Draw(rt, "returned ppm")
	}
	return r
}

func drawRequest(rt *rapid.T) reports.Request {
	first := rapid.IntRange(4, 10).Draw(rt, "first day")
	last := rapid.IntRange(first, 12).Draw(rt, "last day")
	return days(rt, fmt.Sprintf("2026-10-%02d", first), fmt.Sprintf("2026-10-%02d", last))
}

func TestPartsSumAndTanksBalance(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		j, q := drawStory(rt).journal(rt), drawRequest(rt)
		o := Options{}
		o.Tank.FirstInFirstOut = rapid.Bool().Draw(rt, "first in, first out")
		q.Filter.Job = rapid.SampledFrom([]events.JobID{"", "", "J-101", "J-404"}).Draw(rt, "filter")
		r := Compute(j, q, o)
		for i := range r.Consignments {
			checkParts(rt, &r.Consignments[i])
		}
		closing := Amount{}
		returned := Amount{}
		for _, x := range r.Balances {
			if x.Difference() != (Amount{}) {
				rt.Errorf("%s does not balance: %+v", x.Truck, x)
			}
			closing, returned = closing.Plus(x.Closing), returned.Plus(x.Returned)
		}
		for _, x := range r.Returns {
			returned.SolidsG -= x.Amount.SolidsG - x.Untipped.SolidsG
			returned.WaterG -= x.Amount.WaterG - x.Untipped.WaterG
		}
		if q.Filter.Job == "" && returned != (Amount{}) {
			rt.Errorf("balances and returns differ by %+v", returned)
		}
		held := r.Totals.Held
		if q.Filter.Job == "" && (held.SolidsG != closing.SolidsG || held.WaterG != closing.WaterG) {
			rt.Errorf("held %+v, closing %+v", held, closing)
		}
		checkDocument(rt, r.Document())
	})
}

func checkParts(t rapid.TB, c *Consignment) {
	t.Helper()
	sum, docketG, divided := Amount{}, int64(0), false
	for _, p := range c.Parts {
		sum = sum.Plus(p.Amount)
		if p.DocketG != nil {
			docketG, divided = docketG+*p.DocketG, true
		}
	}
	if sum != c.Asked {
		t.Errorf("%s: parts sum to %+v, asked %+v", c.Number, sum, c.Asked)
	}
	if c.Others != nil {
		sum = sum.Plus(c.Others.Amount)
		if c.Others.DocketG != nil {
			docketG, divided = docketG+*c.Others.DocketG, true
		}
	}
	if sum != c.Amount {
		t.Errorf("%s: parts sum to %+v, the tip is %+v", c.Number, sum, c.Amount)
	}
	if c.Docket != nil && c.Amount.MassG() > 0 && (!divided || docketG != c.Docket.NetG) {
		t.Errorf("%s: docket parts sum to %d g of %d g", c.Number, docketG, c.Docket.NetG)
	}
}

// What the fold holds after the last entry is an oracle for a period that ends
// after it.
func TestHeldIsWhatTheFoldHolds(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		j := drawStory(rt).journal(rt)
		r := Compute(j, days(rt, "2026-10-01", "2026-10-31"), Options{})
		want := Amount{}
		b := &builder{j: j, q: october(rt)}
		for _, id := range j.Trucks() {
			a := b.account(id)
			want.SolidsG += a.Debris.SolidsG()
			want.WaterG += a.Debris.WaterG()
		}
		if got := r.Totals.Held; got.SolidsG != want.SolidsG || got.WaterG != want.WaterG {
			rt.Errorf("held %+v, the fold holds %+v", got, want)
		}
	})
}

func TestArrivalOrderChangesNothing(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s, q := drawStory(rt), drawRequest(rt)
		q.Filter.Client = rapid.SampledFrom([]events.ClientID{"", "CL-1"}).Draw(rt, "client")
		want := texts(Compute(s.journal(rt), q, Options{}).Document(), false)
		order := rapid.Permutation(s.recs).Draw(rt, "arrival")
		// The same events at other positions of the ledger; the register is set up first.
		slices.SortStableFunc(order, func(a, b events.Recorded) int { return last(!isRevision(a), !isRevision(b)) })
		for i := range order {
			order[i].Position = uint64(i + 1)
		}
		if got := texts(Compute((&story{recs: order}).journal(rt), q, Options{}).Document(), false); got != want {
			rt.Errorf("another order of arrival gives another document:\n%s\nwant\n%s", got, want)
		}
	})
}

// Somebody answers every finding; in another order of arrival each is answered still,
// by the same words.
func TestArrivalOrderAnswersTheSame(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s, q := drawStory(rt), drawRequest(rt)
		j := s.journal(rt)
		for _, f := range Compute(j, q, Options{}).Findings {
			if len(f.Cites) > 0 {
				about := j.Recorded(f.Cites[0]).Ref()
				s.add(events.Event{Source: events.OfficeSource("answers"), Occurred: at("12 12:00"), Origin: events.FromOffice,
					Body: events.FindingAnswered{Code: string(f.Code), Refers: about, Outcome: events.AnswerAccepted, Answer: fmt.Sprint(f.Code, " of ", about), Author: "E. Marlow"}})
			}
		}
		want := answeredOf(rt, s.journal(rt), q)
		order := rapid.Permutation(s.recs).Draw(rt, "arrival")
		slices.SortStableFunc(order, func(a, b events.Recorded) int { return last(!isRevision(a), !isRevision(b)) })
		for i := range order {
			order[i].Position = uint64(i + 1)
		}
		if got := answeredOf(rt, (&story{recs: order}).journal(rt), q); !slices.Equal(got, want) {
			rt.Errorf("another order of arrival answers\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
	})
}

// answeredOf returns each finding of a manifest with the words of its answers, sorted.
func answeredOf(rt *rapid.T, j *reports.Journal, q reports.Request) []string {
	lines := []string{}
	for _, f := range j.Answer("manifest", q, Compute(j, q, Options{}).Findings) {
		texts := []string{}
		for _, a := range f.Answers {
			texts = append(texts, a.Text)
		}
		if len(f.Cites) > 0 && len(texts) == 0 {
			rt.Errorf("%s (%s) is not answered", f.Code, f.What)
		}
		slices.Sort(texts)
		lines = append(lines, fmt.Sprintf("%s %s %s: %q", f.Code, f.Truck, f.What, texts))
	}
	slices.Sort(lines)
	return lines
}

func isRevision(r events.Recorded) bool { return r.Kind() == events.KindRegisterRevised }

func TestSumOverJobsIsUnfiltered(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		j, q := drawStory(rt).journal(rt), drawRequest(rt)
		all := Compute(j, q, Options{})
		sum, nobody := Amount{}, Amount{}
		for _, t := range all.Jobs {
			if t.Job == "" {
				nobody = t.Tipped
			}
		}
		for _, job := range []events.JobID{"J-101", "J-102", "J-404"} {
			q.Filter.Job = job
			r := Compute(j, q, Options{})
			sum = sum.Plus(r.Totals.Asked)
			for i := range r.Jobs {
				if r.Jobs[i].Job == job && r.Jobs[i].Tipped != r.Totals.Asked {
					rt.Errorf("%s: total %+v, asked %+v", job, r.Jobs[i].Tipped, r.Totals.Asked)
				}
			}
		}
		if got := sum.Plus(nobody); got != all.Totals.Tipped || all.Totals.Asked != all.Totals.Tipped {
			rt.Errorf("jobs and nobody's sum to %+v, all is %+v, asked %+v", got, all.Totals.Tipped, all.Totals.Asked)
		}
	})
}

// Days that follow one another hold the same consignments as their whole.
func TestPeriodsJoin(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		j := drawStory(rt).journal(rt)
		whole := Compute(j, days(rt, "2026-10-04", "2026-10-12"), Options{})
		count, tipped, opening := 0, Amount{}, map[events.TruckID]Amount{}
		for d := 4; d <= 12; d++ {
			day := fmt.Sprintf("2026-10-%02d", d)
			r := Compute(j, days(rt, day, day), Options{})
			for i := range r.Consignments {
				if r.Consignments[i].Number != whole.Consignments[count+i].Number {
					rt.Errorf("%s: number %s, in the whole %s", day, r.Consignments[i].Number, whole.Consignments[count+i].Number)
				}
			}
			count += len(r.Consignments)
			tipped = tipped.Plus(r.Totals.Tipped)
			for _, x := range r.Balances {
				if x.Opening != opening[x.Truck] {
					rt.Errorf("%s %s opens with %+v, closed with %+v", day, x.Truck, x.Opening, opening[x.Truck])
				}
				opening[x.Truck] = x.Closing
			}
		}
		if count != len(whole.Consignments) || tipped != whole.Totals.Tipped {
			rt.Errorf("days give %d consignments of %+v, the whole %d of %+v", count, tipped, len(whole.Consignments), whole.Totals.Tipped)
		}
	})
}
