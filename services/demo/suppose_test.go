package demo_test

import (
	"slices"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/billable"
	"spoilbook/services/demo"
)

// A card tried on the month of the clients whose jobs have it gives what they are charged; with hourly rates twice as high it gives twice as much for
// time, to the cent that a line is rounded by, and the same for everything else.
func TestACardTriedOnTheMonth(t *testing.T) {
	j := flowJournal(t)
	period, err := reports.Days("2026-10-01", "2026-10-31", demo.Zone())
	if err != nil {
		t.Fatal(err)
	}
	at := events.MustTime("2026-10-31T23:00:00.000Z")
	tried := 0
	for _, client := range j.Book.Keys(events.ClientRegister) {
		q := reports.Request{Period: period, Filter: reports.Filter{Client: events.ClientID(client)}}
		is := billable.Compute(j, q, billable.Options{Zones: time.LoadLocation})
		cards := map[events.RateCardID]int{}
		for i := range is.Lines {
			job, ok := j.Book.Job(is.Lines[i].Job, at)
			if !ok {
				t.Fatalf("job %s is not in the register", is.Lines[i].Job)
			}
			cards[job.RateCard]++
		}
		if len(cards) != 1 {
			continue
		}
		for id := range cards {
			card, ok := j.Book.RateCard(id, at)
			if earlier, _ := j.Book.RateCard(id, period.From); !ok || !slices.Equal(earlier.Rates, card.Rates) {
				continue // it was revised within the month
			}
			tried++
			same := billable.Compare(is, billable.Compute(j, q, billable.Options{Zones: time.LoadLocation, Card: &card}))
			for _, c := range slices.Concat(same.Rows, same.Totals) {
				if c.DifferenceCents() != 0 || c.IsMS != c.WouldMS {
					t.Errorf("%s: its own card gives %+v", client, c)
				}
			}
			twice(t, j, q, is, card)
		}
	}
	if tried < 2 {
		t.Errorf("%d clients were tried", tried)
	}
}

func twice(t *testing.T, j *reports.Journal, q reports.Request, is *billable.Report, card events.RateCard) {
	t.Helper()
	card.Rates = slices.Clone(card.Rates)
	for i := range card.Rates {
		card.Rates[i].HourlyRate = events.Decimal(decimal.RequireFromString(string(card.Rates[i].HourlyRate)).Mul(decimal.New(2, 0)).String())
	}
	rounded := int64(len(is.Lines))
	for _, c := range billable.Compare(is, billable.Compute(j, q, billable.Options{Zones: time.LoadLocation, Card: &card})).Rows {
		want := c.IsCents
		switch c.Kind {
		case billable.ForTime, billable.ForRounding, billable.ForMinimum:
			want *= 2
		default:
			if c.WouldBeCents != want {
				t.Errorf("rates twice as high change %+v", c)
			}
		}
		if off := c.WouldBeCents - want; off > rounded || off < -rounded {
			t.Errorf("rates twice as high give %d cents more than twice: %+v", off, c)
		}
	}
}
