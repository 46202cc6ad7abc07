package billable

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/shopspring/decimal"

	"spoilbook/events"
	"spoilbook/reports"
)

// ledger collects the events of trucks and the office as a test tells them.
type ledger struct {
	day, off string
	truck    events.TruckID
	recs     []events.Recorded
	seq      map[events.Source]uint64
}

// newLedger starts on Monday 5 October 2026 in Dublin's summer time.
func newLedger() *ledger {
	return &ledger{day: "2026-10-05", off: "+01:00", truck: "TM-01", seq: map[events.Source]uint64{}}
}

func (l *ledger) at(clock string) events.Time {
	if strings.Contains(clock, "T") {
		return events.MustTime(clock)
	}
	return events.MustTime(l.day + "T" + clock + ":00.000" + l.off)
}

func (l *ledger) record(e events.Event) events.Ref {
	l.seq[e.Source]++
	e.Seq, e.ID, e.Origin = l.seq[e.Source], fmt.Sprintf("e%d", len(l.recs)+1), events.FromCrew
	l.recs = append(l.recs, events.Recorded{Position: uint64(len(l.recs) + 1), At: e.Occurred, Event: e})
	return e.Ref()
}

func (l *ledger) put(clock string, job events.JobID, body events.Body) events.Ref {
	return l.record(events.Event{Source: events.TruckSource(l.truck), Occurred: l.at(clock), Truck: l.truck, Job: job, Operator: "OP-1", Body: body})
}

// revise puts a register entry in force from a time on.
func (l *ledger) revise(clock, key string, d events.Document) {
	l.record(events.Event{Source: events.OfficeSource("yard"), Occurred: l.at(clock),
		Body: events.RegisterRevised{Key: key, EffectiveFrom: l.at(clock), Author: "A", Document: d}})
}

const early = "2020-01-01T00:00:00.000Z"

// agree registers job J-1 of client C-1 with a card, and a tax of 23 %.
func (l *ledger) agree(card events.RateCard) {
	card.Name, card.Tax = "Card", "VAT"
	if card.Currency == "" {
		card.Currency = "EUR"
	}
	l.revise(early, "VAT", events.Tax{Name: "VAT", RatePercent: "23"})
	l.revise(early, "RC-1", card)
	l.revise(early, "J-1", job("C-1", "RC-1"))
}

func job(client events.ClientID, card events.RateCardID) events.Job {
	return events.Job{Client: client, Name: "Main Street", SiteAddress: "Tarnmoor", OrderNumber: "PO-7", TimeZone: "Europe/Dublin", RateCard: card}
}

func (l *ledger) load(from, to string, job events.JobID, massG int64) {
	l.put(to, job, events.LoadCollected{Start: l.at(from), End: l.at(to), Material: "M-CLAY",
		SlurryVolume: &events.Volume{VolumeML: massG * 5 / 8, Basis: events.Measured}, SlurryMass: &events.Mass{MassG: massG, Basis: events.Measured},
		JettingWater: &events.Volume{VolumeML: massG / 4, Basis: events.Measured}})
}

// say puts one event for each "06:00 shift.started J-1" line.
func (l *ledger) say(story string) {
	for line := range strings.Lines(story) {
		f := strings.Fields(line)
		if len(f) == 0 {
			continue
		}
		job := events.JobID("")
		if len(f) > 2 {
			job = events.JobID(f[2])
		}
		spec, _ := events.SpecOf(events.Kind(f[1]))
		body := events.Deref(spec.New())
		if _, ok := body.(events.StandbyStarted); ok {
			body = events.StandbyStarted{Cause: events.StandbyCause(f[3])}
		}
		if _, ok := body.(events.EmergencyStopPressed); ok {
			body = events.EmergencyStopPressed{Station: events.StationRear, Cause: "alarm", Attribution: events.Attribution(f[3])}
		}
		l.put(f[0], job, body)
	}
}

func zones(name string) (*time.Location, error) { return time.LoadLocation(name) }

func (l *ledger) journal() *reports.Journal { return reports.Resolve(l.recs, uint64(len(l.recs))) }

// bill computes the report of some days in Dublin.
func (l *ledger) bill(t *testing.T, first, last string) *Report {
	t.Helper()
	zone, err := zones("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	p, err := reports.Days(first, last, zone)
	if err != nil {
		t.Fatal(err)
	}
	r := Compute(l.journal(), reports.Request{Period: p}, Options{Zones: zones})
	if err := sound(r); err != nil {
		t.Fatal(err)
	}
	return r
}

// sound checks what holds of every report.
func sound(r *Report) error {
	time, net := int64(0), int64(0)
	keys := map[string]bool{}
	for i := range r.Lines {
		l := &r.Lines[i]
		time += l.BilledMS
		net += l.AmountCents
		if keys[l.Key] {
			return fmt.Errorf("two lines have the key %s", l.Key)
		}
		keys[l.Key] = true
		if len(l.Positions) == 0 {
			return fmt.Errorf("line %s lists no events", l.Key)
		}
	}
	for i := range r.NotBilled {
		time += r.NotBilled[i].LengthMS()
	}
	if time != r.ShiftMS {
		return fmt.Errorf("billed and not billed are %d ms, the shifts %d", time, r.ShiftMS)
	}
	for i := range r.Invoices {
		net -= r.Invoices[i].NetCents
	}
	if net != 0 {
		return fmt.Errorf("lines and invoices differ by %d", net)
	}
	return nil
}

// text writes the lines of some kinds as "loading ordinary 0:40 0:45 180x1 135.00".
func text(r *Report, kinds ...Kind) string {
	b := &strings.Builder{}
	for i := range r.Lines {
		l := &r.Lines[i]
		if len(kinds) > 0 && !slices.Contains(kinds, l.Kind) {
			continue
		}
		if l.Unit == "h" {
			fmt.Fprintf(b, "%s %s %s %s %s %sx%s %s\n", l.Day[5:], l.What, l.Band, clock(l.BilledMS), clock(l.ChargedMS), l.Rate, l.Multiplier,
				decimal.New(l.AmountCents, -2).StringFixed(2))
			continue
		}
		fmt.Fprintf(b, "%s %s %s %s %s %sx%s %s\n", l.Day[5:], l.Job, l.What, decimal.New(l.Micro, -6), l.Unit, l.Rate, l.Multiplier,
			decimal.New(l.AmountCents, -2).StringFixed(2))
	}
	return b.String()
}

func clock(ms int64) string {
	sign := ""
	if ms < 0 {
		sign, ms = "-", -ms
	}
	return fmt.Sprintf("%s%d:%02d", sign, ms/hourMS, ms/60_000%60)
}

func wantText(t *testing.T, got, want string) {
	t.Helper()
	clean := &strings.Builder{}
	for line := range strings.Lines(want) {
		if line = strings.TrimSpace(line); line != "" {
			clean.WriteString(line + "\n")
		}
	}
	if got != clean.String() {
		t.Errorf("got\n%s\nwant\n%s", got, clean)
	}
}

// refused writes the time not billed as "0:30 reason" lines.
func refused(r *Report) string {
	b := &strings.Builder{}
	for i := range r.NotBilled {
		fmt.Fprintf(b, "%s %s %s\n", r.NotBilled[i].Activity, clock(r.NotBilled[i].LengthMS()), r.NotBilled[i].Reason)
	}
	return b.String()
}

// found counts the findings with a code.
func found(r *Report, code reports.Code) int {
	n := 0
	for _, f := range r.Findings {
		if f.Code == code {
			n++
		}
	}
	return n
}
