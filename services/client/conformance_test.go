package client_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/events/wire"
	"spoilbook/services/backup"
	"spoilbook/services/ledger"
)

// each runs a test on the ledger itself and on its client.
func each(t *testing.T, run func(t *testing.T, r *rig, b book)) {
	t.Run("ledger", func(t *testing.T) {
		r := newRig(t)
		run(t, r, direct{r.ledger})
	})
	t.Run("client", func(t *testing.T) {
		r := newRig(t)
		run(t, r, r.client())
	})
}

// wantCode wants an error with a code; the empty code wants none.
func wantCode(t *testing.T, what string, err error, code ledger.Code) {
	t.Helper()
	if code == "" && err != nil || code != "" && (err == nil || ledger.CodeOf(err) != code) {
		t.Errorf("%s: %v (code %s), want code %q", what, err, ledger.CodeOf(err), code)
	}
}

func fatesOf(t *testing.T, b book, msgs []ledger.Message) ledger.Fates {
	t.Helper()
	ticket, err := b.Submit(t.Context(), msgs)
	if err != nil || ticket.Count != len(msgs) || ticket.Last-ticket.First+1 != uint64(len(msgs)) || ticket.Stream == "" {
		t.Fatalf("ticket %+v of %d messages, %v", ticket, len(msgs), err)
	}
	f, err := b.Await(t.Context(), ticket)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestSubmitAndAwait(t *testing.T) {
	each(t, func(t *testing.T, r *rig, b book) {
		long := []byte(`{"a":"` + strings.Repeat("x", wire.MaxBytes) + `"}`)
		pretty := bytes.ReplaceAll(siteArrival(t, "TM-01", 3, "J-1"), []byte(","), []byte(",\r\n  "))
		for _, step := range []struct {
			msgs []ledger.Message
			want string
		}{
			{messages(truckRevision(t, 1, "TM-01"), siteArrival(t, "TM-01", 1, "J-1"), siteArrival(t, "TM-01", 1, "J-1")), "2 1 0 at 2, entries []"},
			{messages(siteArrival(t, "TM-01", 1, "J-1"), []byte("{"), siteArrival(t, "TM-01", 2, "J-1")), "1 1 1 at 3, entries [1]"},
			{messages([]byte("[\n1,\n2]"), pretty, []byte("{"), siteArrival(t, "TM-09", 1, "J-1")), "1 1 2 at 4, entries [2 3]"},
		} {
			f := fatesOf(t, b, step.msgs)
			if got := fmt.Sprintf("%d %d %d at %d, entries %v", f.Recorded, f.Duplicates, f.Quarantined, f.Position, f.Entries); got != step.want {
				t.Errorf("fates %s, want %s", got, step.want)
			}
		}
		kept, err := b.Quarantine(t.Context(), ledger.QuarantineQuery{Entry: 2})
		if err != nil || len(kept) != 1 || string(kept[0].Body) != "[\n1,\n2]" {
			t.Errorf("what is no event is not kept as it came: %+v, %v", kept, err)
		}
		ticket, err := b.Submit(t.Context(), nil)
		wantCode(t, "submit nothing", err, "")
		f, err := b.Await(t.Context(), ticket)
		if wantCode(t, "await nothing", err, ""); f.Recorded != 0 {
			t.Errorf("fates of nothing: %+v", f)
		}
		_, err = b.Submit(t.Context(), messages(siteArrival(t, "TM-01", 4, "J-1"), long))
		wantCode(t, "submit a long event", err, ledger.TooLarge)
		_, err = b.Submit(t.Context(), messages(siteArrival(t, "TM-01", 4, "J-1"), []byte(" \n")))
		wantCode(t, "submit an empty event", err, ledger.BadRequest)
		_, err = b.Submit(t.Context(), make([]ledger.Message, ledger.MaxSubmit+1))
		wantCode(t, "submit too many events", err, ledger.TooLarge)
		if h, err := b.Head(t.Context()); err != nil || h.Position != 4 || h.RootPosition != 4 || h.Root == [32]byte{} || time.Since(h.At) > time.Hour {
			t.Errorf("head %+v, %v; nothing of what was refused may be recorded", h, err)
		}
	})
}

// More than one request takes is handed over all the same, in order.
func TestSubmitMuch(t *testing.T) {
	each(t, func(t *testing.T, r *rig, b book) {
		const n = 400 // of 200 kB
		var msgs []ledger.Message
		for i := range n {
			msgs = append(msgs, ledger.MessageOf([]byte(fmt.Sprintf(`{"%d":"%s"}`, i, strings.Repeat("x", 200_000)))))
		}
		if f := fatesOf(t, b, msgs); f.Quarantined != n || len(f.Entries) != 100 {
			t.Fatalf("fates %+v", f)
		}
		list, err := b.Quarantine(t.Context(), ledger.QuarantineQuery{Limit: 300, After: 50})
		if err != nil || len(list) != 300 {
			t.Fatalf("%d entries, %v", len(list), err)
		}
		for i, q := range list {
			if want := fmt.Sprintf(`{"%d":`, 50+i); q.Entry != uint64(51+i) || !strings.HasPrefix(string(q.Body), want) || len(q.Body) < 200_000 {
				t.Fatalf("entry %d holds %.20q, want %s", q.Entry, q.Body, want)
			}
		}
	})
}

func TestAwaitFails(t *testing.T) {
	each(t, func(t *testing.T, r *rig, b book) {
		ticket, err := b.Submit(t.Context(), messages(truckRevision(t, 1, "TM-01")))
		if err != nil {
			t.Fatal(err)
		}
		late := ticket
		late.Last += 100
		short, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		defer cancel()
		_, err = b.Await(short, late)
		wantCode(t, "await what nobody sent", err, ledger.TimedOut)
		late.Stream += "9"
		_, err = b.Await(t.Context(), late)
		wantCode(t, "await another stream", err, ledger.NotFound)
	})
}

func TestEvents(t *testing.T) {
	each(t, func(t *testing.T, r *rig, b book) {
		msgs := messages(truckRevision(t, 1, "TM-01"))
		for seq := range uint64(130) {
			msgs = append(msgs, ledger.MessageOf(siteArrival(t, "TM-01", seq+1, "J-1")))
		}
		fatesOf(t, b, msgs)
		all, err := b.Events(t.Context(), ledger.EventQuery{Limit: 1000})
		if err != nil || len(all) != 131 {
			t.Fatalf("%d events, %v", len(all), err)
		}
		for i, e := range all {
			stored, err := r.ledger.Event(t.Context(), e.Position)
			if err != nil || e.Position != uint64(i+1) || !bytes.Equal(e.Body, msgs[i].Body) || e.Hash != stored.Hash || !e.Recorded.Equal(stored.Recorded) {
				t.Fatalf("event %d is %+v, %v", i+1, e, err)
			}
			if e.Event.ID != e.ID || e.Kind != e.Event.Kind() || e.Truck != e.Event.Truck || e.Job != e.Event.Job || e.Seq != e.Event.Seq || e.Source != e.Event.Source || e.Occurred.UnixMS != stored.Occurred.UnixMS {
				t.Fatalf("event %d and its record differ: %+v", i+1, e)
			}
		}
		for _, c := range []struct {
			q    ledger.EventQuery
			want string
		}{
			{ledger.EventQuery{}, "100 from 1"}, {ledger.EventQuery{Limit: 3, After: 7}, "3 from 8"}, {ledger.EventQuery{Truck: "TM-01", After: 100, Limit: 50}, "31 from 101"},
			{ledger.EventQuery{Kind: events.KindRegisterRevised}, "1 from 1"}, {ledger.EventQuery{Source: "/truck/TM-01", ID: "TM-01-9"}, "1 from 10"},
			{ledger.EventQuery{Job: "J-2"}, "0"}, {ledger.EventQuery{After: 131}, "0"}, {ledger.EventQuery{Truck: "a&b=c#%"}, "0"},
		} {
			list, err := b.Events(t.Context(), c.q)
			got := fmt.Sprint(len(list))
			if len(list) > 0 {
				got += fmt.Sprintf(" from %d", list[0].Position)
			}
			if err != nil || got != c.want {
				t.Errorf("%+v gives %s, %v; want %s", c.q, got, err, c.want)
			}
		}
		_, err = b.Events(t.Context(), ledger.EventQuery{Limit: ledger.MaxPage + 1})
		wantCode(t, "too many events", err, ledger.TooLarge)
	})
}

func TestSettling(t *testing.T) {
	each(t, func(t *testing.T, r *rig, b book) {
		ctx, arrival := t.Context(), siteArrival(t, "TM-01", 1, "J-1")
		fatesOf(t, b, messages([]byte("{"), arrival, []byte("[1]")))
		release := func(entry uint64, body []byte, author string, code ledger.Code) ledger.Fates {
			t.Helper()
			f, err := b.Release(ctx, entry, body, author, "looked into")
			wantCode(t, fmt.Sprintf("release %d", entry), err, code)
			return f
		}
		dismiss := func(entry uint64, author, note string, code ledger.Code) {
			t.Helper()
			wantCode(t, fmt.Sprintf("dismiss %d", entry), b.Dismiss(ctx, entry, author, note), code)
		}
		release(0, arrival, "Yard office", ledger.BadRequest)
		release(9, arrival, "Yard office", ledger.NotFound)
		release(1, nil, "Yard office", ledger.BadRequest)
		release(1, []byte("{"), "Yard office", ledger.BadRequest)
		release(1, []byte("null"), "Yard office", ledger.BadRequest)
		release(2, nil, "", ledger.BadRequest)
		release(2, nil, strings.Repeat("a", 500), ledger.BadRequest)
		release(2, nil, "Yard office", ledger.Conflict) // the truck is still unknown
		dismiss(0, "Yard office", "noise", ledger.BadRequest)
		dismiss(9, "Yard office", "noise", ledger.NotFound)
		dismiss(3, "", "noise", ledger.BadRequest)
		dismiss(3, "Yard office", "", ledger.BadRequest)
		dismiss(3, "Yard office", strings.Repeat("a", 5000), ledger.BadRequest)
		dismiss(3, "Yard office", "noise", "")
		dismiss(3, "Yard office", "noise", ledger.Conflict)
		release(3, arrival, "Yard office", ledger.Conflict)
		if f := release(1, truckRevision(t, 1, "TM-01"), "Yard office", ""); f.Recorded != 1 || f.Position != 1 {
			t.Errorf("released repaired: %+v", f)
		}
		if f := release(2, nil, "Yard office", ""); f.Recorded != 1 || f.Position != 2 {
			t.Errorf("released as it was: %+v", f)
		}
		release(2, nil, "Yard office", ledger.Conflict)
		quarantine(t, b)
	})
}

// quarantine looks at what TestSettling has left.
func quarantine(t *testing.T, b book) {
	t.Helper()
	for _, c := range []struct {
		q    ledger.QuarantineQuery
		want string
	}{
		{ledger.QuarantineQuery{}, ""}, {ledger.QuarantineQuery{All: true}, "1 released, 2 released, 3 dismissed"},
		{ledger.QuarantineQuery{All: true, Limit: 1}, "1 released"}, {ledger.QuarantineQuery{All: true, Limit: 1, After: 1}, "2 released"},
		{ledger.QuarantineQuery{Entry: 3}, ""}, {ledger.QuarantineQuery{Entry: 3, All: true}, "3 dismissed"}, {ledger.QuarantineQuery{Entry: 7, All: true}, ""},
	} {
		list, err := b.Quarantine(t.Context(), c.q)
		got := []string{}
		for _, q := range list {
			got = append(got, fmt.Sprintf("%d %s", q.Entry, q.State))
			if q.Settled == nil || q.Settled.Author != "Yard office" || q.Settled.Action != q.State || q.Settled.Note == "" || q.Code == "" || q.Reason == "" || q.StreamSeq == 0 {
				t.Errorf("entry %+v settled %+v", q, q.Settled)
			}
		}
		if err != nil || strings.Join(got, ", ") != c.want {
			t.Errorf("%+v gives %q, %v; want %q", c.q, got, err, c.want)
		}
	}
	_, err := b.Quarantine(t.Context(), ledger.QuarantineQuery{Limit: ledger.MaxPage + 1})
	wantCode(t, "too many entries", err, ledger.TooLarge)
}

func TestReading(t *testing.T) {
	each(t, func(t *testing.T, r *rig, b book) {
		fatesOf(t, b, messages(truckRevision(t, 1, "TM-01"), siteArrival(t, "TM-01", 1, "J-1")))
		october := url.Values{"from": {"2026-10-01"}, "to": {"2026-10-31"}, "tz": {"Europe/Dublin"}, "truck": {"TM-01"}}
		var report, postings bytes.Buffer
		if err := b.Export(t.Context(), &report, "timesplit", october); err != nil || !json.Valid(report.Bytes()) {
			t.Errorf("report %.200q, %v", report.String(), err)
		}
		wantCode(t, "a report that does not exist", b.Export(t.Context(), &report, "fuel", october), ledger.BadRequest)
		wantCode(t, "a report without a zone", b.Export(t.Context(), &report, "water", url.Values{"from": {"2026-10-01"}, "to": {"2026-10-31"}}), ledger.BadRequest)
		wantCode(t, "postings", b.Postings(t.Context(), &postings, "TM-01", "Europe/Dublin", 0), "")
		wantCode(t, "postings of the future", b.Postings(t.Context(), &postings, "", "Europe/Dublin", 99), ledger.NotFound)
		wantCode(t, "postings of no zone", b.Postings(t.Context(), &postings, "", "Europe/Tarnmoor", 0), ledger.BadRequest)
		var table, half, group bytes.Buffer
		wantCode(t, "rows", b.Rows(t.Context(), &table, "csv", ledger.EventQuery{}, 0), "")
		wantCode(t, "rows above a position", b.Rows(t.Context(), &half, "csv", ledger.EventQuery{After: 1, Truck: "TM-01"}, 2), "")
		if n, m := strings.Count(table.String(), "\r\n"), strings.Count(half.String(), "\r\n"); n != 3 || m != 2 || strings.Contains(half.String(), "register.revised") {
			t.Errorf("rows\n%s\nand those of the truck\n%s", table.String(), half.String())
		}
		if wantCode(t, "rows as Parquet", b.Rows(t.Context(), &group, "parquet", ledger.EventQuery{}, 0), ""); !bytes.HasPrefix(group.Bytes(), []byte("PAR1")) || !bytes.HasSuffix(group.Bytes(), []byte("PAR1")) {
			t.Errorf("Parquet of %d bytes", group.Len())
		}
		wantCode(t, "rows of the future", b.Rows(t.Context(), &table, "csv", ledger.EventQuery{}, 99), ledger.NotFound)
		wantCode(t, "rows that can not be", b.Rows(t.Context(), &table, "parquet", ledger.EventQuery{After: 2}, 1), ledger.BadRequest)
		h, err := b.Head(t.Context())
		wantCode(t, "head", err, "")
		rebuilt, err := b.Rebuild(t.Context(), nil)
		if err != nil || rebuilt.Events != 2 || rebuilt.Root != fmt.Sprintf("%x", h.Root) {
			t.Errorf("rebuilt %+v, %v", rebuilt, err)
		}
	})
}

func TestPartsDown(t *testing.T) {
	each(t, func(t *testing.T, r *rig, b book) {
		fatesOf(t, b, messages(truckRevision(t, 1, "TM-01")))
		if err := r.engine.Close(); err != nil {
			t.Fatal(err)
		}
		_, err := b.Head(t.Context())
		wantCode(t, "head", err, ledger.StoreDown)
		_, err = b.Events(t.Context(), ledger.EventQuery{})
		wantCode(t, "events", err, ledger.StoreDown)
		_, err = b.Quarantine(t.Context(), ledger.QuarantineQuery{})
		wantCode(t, "quarantine", err, ledger.StoreDown)
		_, err = b.Quarantine(t.Context(), ledger.QuarantineQuery{Entry: 1})
		wantCode(t, "quarantine entry", err, ledger.StoreDown)
		wantCode(t, "dismiss", b.Dismiss(t.Context(), 1, "Yard office", "noise"), ledger.StoreDown)
		_, err = b.Rebuild(t.Context(), nil)
		wantCode(t, "rebuild", err, ledger.StoreDown)
		ticket, err := b.Submit(t.Context(), messages(siteArrival(t, "TM-01", 1, "J-1")))
		wantCode(t, "submit", err, "") // it is received all the same
		_, err = b.Await(t.Context(), ticket)
		wantCode(t, "await", err, ledger.StoreDown)
	})
}

// What is handed over for a copy is what the store holds, row by row.
func TestCopy(t *testing.T) {
	r := newRig(t)
	fatesOf(t, r.client(), messages(truckRevision(t, 1, "TM-01"), siteArrival(t, "TM-01", 1, "J-1"), []byte("{"), []byte("[\xff]")))
	if err := r.client().Dismiss(t.Context(), 1, "Yard office", "a test message"); err != nil {
		t.Fatal(err)
	}
	adopted := ledger.Adoption{Stream: ledger.AnyStream, At: time.Now(), Author: "Yard office", Reason: "why"}
	if err := r.store.Adopt(t.Context(), adopted); err != nil {
		t.Fatal(err)
	}
	s, err := backup.Compare(t.Context(), r.store, r.client(), nil)
	if err != nil || s.Position != 2 || s.Entries != 2 {
		t.Errorf("compared %+v, %v", s, err)
	}
}
