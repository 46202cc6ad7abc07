package broker

import (
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
)

func shelf(t *testing.T, b *Broker) *Records {
	t.Helper()
	r, err := b.Records(t.Context(), "TEST_SHELF")
	must(t, err)
	return r
}

func TestRecordsAreKeptAndGuarded(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		r := shelf(t, b)
		_, err := r.Get(t.Context(), "user.ann")
		wantError(t, err, ErrNoRecord)
		first, err := r.Put(t.Context(), "user.ann", []byte("1"), 0)
		must(t, err)
		_, err = r.Put(t.Context(), "user.ann", []byte("2"), 0)
		wantError(t, err, ErrRecordChanged)
		second, err := r.Put(t.Context(), "user.ann", []byte("2"), first)
		must(t, err)
		_, err = r.Put(t.Context(), "user.ann", []byte("3"), first)
		wantError(t, err, ErrRecordChanged)
		_, err = r.Put(t.Context(), "user.bob", []byte("b"), 0)
		must(t, err)
		_, err = r.Put(t.Context(), "token.x", []byte("x"), 0)
		must(t, err)

		b = d.restart(t, b)
		r = shelf(t, b)
		got, err := r.Get(t.Context(), "user.ann")
		must(t, err)
		if string(got.Value) != "2" || got.Revision != second {
			t.Errorf("after a restart: %+v, want revision %d", got, second)
		}
		list, err := r.List(t.Context(), "user.")
		must(t, err)
		if len(list) != 2 || list[0].Key != "user.ann" || list[1].Key != "user.bob" || string(list[1].Value) != "b" {
			t.Errorf("list: %+v", list)
		}
		must(t, r.Delete(t.Context(), "user.ann"))
		must(t, r.Delete(t.Context(), "user.ann"))
		must(t, r.Delete(t.Context(), "user.nobody"))
		_, err = r.Get(t.Context(), "user.ann")
		wantError(t, err, ErrNoRecord)
		if list, err = r.List(t.Context(), "user."); err != nil || len(list) != 1 {
			t.Errorf("list after a deletion: %+v, %v", list, err)
		}
		if list, err = r.List(t.Context(), "nothing."); err != nil || len(list) != 0 {
			t.Errorf("list of nothing: %+v, %v", list, err)
		}
		must(t, r.Compact(t.Context()))
		_, err = r.Put(t.Context(), "user.ann", []byte("again"), 0)
		must(t, err)
	})
}

func TestOfWritersAtOnceOneSucceeds(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		r := shelf(t, d.open(t))
		at, err := r.Put(t.Context(), "k.1", []byte("0"), 0)
		must(t, err)
		var wins atomic.Int64
		var wait sync.WaitGroup
		for w := range 8 {
			wait.Go(func() {
				if _, err := r.Put(t.Context(), "k.1", fmt.Append(nil, w), at); err == nil {
					wins.Add(1)
				}
			})
		}
		wait.Wait()
		if wins.Load() != 1 {
			t.Errorf("%d writers succeeded over one revision", wins.Load())
		}
	})
}

func TestRecordsRefuseWhatIsNoName(t *testing.T) {
	b := mustOpen(t, Options{Dir: t.TempDir()})
	_, err := b.Records(t.Context(), "no good")
	wantError(t, err, ErrSubject)
	r := shelf(t, b)
	if _, err := r.Put(t.Context(), "a b", nil, 0); err == nil {
		t.Error("a key with a space was taken")
	}
	if _, err := r.Put(t.Context(), "k.big", make([]byte, maxRecordBytes+1), 0); err == nil {
		t.Error("a value over the limit was taken")
	}
}
