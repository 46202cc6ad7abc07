package client_test

import (
	"testing"

	"spoilbook/services/ledger"
)

func TestSources(t *testing.T) {
	each(t, func(t *testing.T, r *rig, b book) {
		fatesOf(t, b, messages(truckRevision(t, 1, "TM-01"), siteArrival(t, "TM-01", 1, "J-1"), siteArrival(t, "TM-01", 4, "J-1")))
		fatesOf(t, b, messages(siteArrival(t, "TM-01", 3, "J-1")))
		list, err := b.Sources(t.Context(), ledger.SourceQuery{})
		if wantCode(t, "sources", err, ""); len(list) != 2 || list[0].Source != "/office/register" || list[1].Source != "/truck/TM-01" {
			t.Fatalf("sources %+v", list)
		}
		v := list[1]
		if v.Highest != 4 || v.Count != 3 || v.Through != 1 || v.LastPosition != 4 || v.LastRecorded.IsZero() || v.LastOccurred.UnixMilli() != 1_791_000_003_000 {
			t.Errorf("%+v", v)
		}
		if len(v.Missing) != 1 || v.Missing[0].From != 2 || v.Missing[0].To != 3 || v.Missing[0].Since.IsZero() {
			t.Errorf("missing %+v: only 2 is", v.Missing)
		}
		if len(v.Late) != 1 || v.Late[0].From != 3 || v.Late[0].LateBy() < 0 || !v.Late[0].Since.Equal(v.Missing[0].Since) || v.LateNumbers != 1 {
			t.Errorf("late %+v: only 3 is", v.Late)
		}
		before, err := b.Sources(t.Context(), ledger.SourceQuery{Source: "/truck/TM-01", UpTo: 3})
		if wantCode(t, "sources at a position", err, ""); len(before) != 1 || before[0].MissingNumbers != 2 || len(before[0].Late) != 0 {
			t.Errorf("at position 3: %+v", before)
		}
		_, err = b.Sources(t.Context(), ledger.SourceQuery{UpTo: 9})
		wantCode(t, "a position that is not there", err, ledger.NotFound)
		_, err = b.Sources(t.Context(), ledger.SourceQuery{Source: "TM-01"})
		wantCode(t, "no source", err, ledger.BadRequest)
	})
}
