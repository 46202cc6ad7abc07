package store_test

import (
	"fmt"
	"testing"
	"time"

	"spoilbook/services/ledger"
)

// The numbers 1, 2, 5, 6 come, an hour later 4 and 9, and 3 not at all until then.
func TestSourcesSayWhatIsMissingAndWhatCameLate(t *testing.T) {
	s := open(t)
	first, second := block(1, 4), block(5, 2)
	for i, seq := range []uint64{1, 2, 5, 6} {
		first.Records[i].Seq = seq
	}
	hour := first.At.Add(time.Hour)
	for i, seq := range []uint64{4, 9} {
		second.Records[i].Seq, second.Records[i].Recorded = seq, hour
	}
	for _, b := range []*ledger.Block{first, second} {
		if err := s.Append(t.Context(), b); err != nil {
			t.Fatal(err)
		}
	}
	l := ledger.New(ledger.Config{Store: s})
	at := func(upTo uint64) string {
		list, err := l.Sources(t.Context(), ledger.SourceQuery{UpTo: upTo})
		if err != nil || len(list) != 1 {
			t.Fatalf("%d sources at %d, %v", len(list), upTo, err)
		}
		v := list[0]
		text := fmt.Sprintf("%s %d of %d, through %d;", v.Source, v.Count, v.Highest, v.Through)
		for _, m := range v.Missing {
			text += fmt.Sprintf(" missing [%d,%d) since %s;", m.From, m.To, m.Since.Sub(first.At))
		}
		for _, c := range v.Late {
			text += fmt.Sprintf(" late [%d,%d) by %s;", c.From, c.To, c.LateBy())
		}
		return fmt.Sprintf("%s last at %d, clock %s", text, v.LastPosition, time.Duration(v.ClockMS)*time.Millisecond)
	}
	clock := first.At.Sub(first.Records[0].Occurred.Std())
	for upTo, want := range map[uint64]string{
		2: "/truck/TM-01 2 of 2, through 2; last at 2, clock ",
		4: "/truck/TM-01 4 of 6, through 2; missing [3,5) since 0s; last at 4, clock ",
		0: "/truck/TM-01 6 of 9, through 2; missing [3,4) since 0s; missing [7,9) since 1h0m0s; late [4,5) by 1h0m0s; last at 6, clock ",
	} {
		if got := at(upTo); got != want+clock.String() {
			t.Errorf("at position %d\n got %s\nwant %s%s", upTo, got, want, clock)
		}
	}
	for query, code := range map[ledger.SourceQuery]ledger.Code{
		{UpTo: 7}: ledger.NotFound, {Source: "/truck/TM-02"}: ledger.NotFound, {Source: "TM-01"}: ledger.BadRequest,
	} {
		if _, err := l.Sources(t.Context(), query); ledger.CodeOf(err) != code {
			t.Errorf("%+v: %v, want %s", query, err, code)
		}
	}
}
