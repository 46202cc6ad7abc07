package billable

import (
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"spoilbook/events"
	"spoilbook/reports/tank"
)

func TestUnusual(t *testing.T) {
	hour := int64(3_600_000)
	line := func(key, day string, kind Kind, a events.Activity, ms int64) Line {
		return Line{Key: key, Kind: kind, Client: "C", Job: "J", Truck: "T", Day: day, Activity: a, BilledMS: ms, ChargedMS: ms, Rate: decimal.NewFromInt(100), TaxKnown: true}
	}
	usual := []Line{line("a", "2026-10-01", ForTime, events.Loading, 4*hour), line("b", "2026-10-02", ForTime, events.Loading, 5*hour),
		line("c", "2026-10-03", ForTime, events.Loading, 4*hour), line("d", "2026-10-04", ForTime, events.Loading, 3*hour)}
	spoil := line("e", "2026-10-01", ForSpoil, "", 0)
	r := &Report{Lines: append(usual, spoil), traces: map[string]*trace{"e": {tip: &tank.Tip{Docket: &tank.Docket{}}}}}
	if got := r.Unusual(); len(got) != 0 {
		t.Errorf("usual lines are called unusual: %+v", got)
	}
	free, untaxed := line("g", "2026-10-04", ForFee, "", 0), line("h", "2026-10-04", ForFee, "", 0)
	free.Rate, untaxed.TaxKnown = decimal.Zero, false
	r.traces["e"].tip.Docket = nil
	r.Lines = append(r.Lines, line("m", "2026-10-01", ForMinimum, events.Loading, hour), line("s", "2026-10-02", ForTime, events.Standby, hour/2), free, untaxed,
		line("f", "2026-10-05", ForTime, events.Loading, 9*hour))
	r.Request.Period.Zone = time.UTC
	r.Unpriced = []Unpriced{{Client: "C", Job: "J", Reason: "no card"}}
	found := map[string]bool{}
	for _, o := range r.Unusual() {
		word, _, _ := strings.Cut(o.Why, ":")
		found[o.Key+" "+word] = true
	}
	for _, want := range []string{"m The minimum applied", "s Standby is charged", "g The rate is nothing", "h The tax was not in force, so none is reckoned",
		"e No docket has come", " Work without a price", " The day has %s, where the job's other days have about %s"} {
		if !found[want] {
			t.Errorf("not found: %q among %v", want, found)
		}
	}
	if len(found) != 7 {
		t.Errorf("found %v", found)
	}
}
