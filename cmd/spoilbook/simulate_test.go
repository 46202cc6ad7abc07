package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"spoilbook/services/sim"
)

func TestSimulate(t *testing.T) {
	var out, errs bytes.Buffer
	if status := run(t.Context(), []string{"simulate", "--seed", "5", "--runs", "3", "--days", "1"}, &out, &errs); status != 0 {
		t.Fatalf("exit status %d: %s", status, &errs)
	}
	var total sim.Total
	if err := json.Unmarshal(out.Bytes(), &total); err != nil || strings.Count(out.String(), "\n") != 1 {
		t.Fatalf("%q is not one line of JSON (%v)", &out, err)
	}
	if total.Seed != 5 || total.Runs != 3 || total.Days != 1 || total.Events == 0 || total.Hours < 3*24 || total.Failed == nil || len(total.Failed) > 0 {
		t.Errorf("%+v", total)
	}
	for _, wrong := range [][]string{{"--runs", "0"}, {"--days", "0"}, {"--days", "400"}, {"--seed", "-1"}} {
		if status := run(t.Context(), append([]string{"simulate"}, wrong...), &out, &errs); status != 2 {
			t.Errorf("%q: exit status %d, not 2", wrong, status)
		}
	}
}

func TestABrokenPromiseIsShown(t *testing.T) {
	var out bytes.Buffer
	showBroken(&out, sim.Result{Seed: 9, Days: 4, First: "an event was lost", Tail: []string{"first", "second"}})
	want := "\nfirst\nsecond\nseed 9: an event was lost\n  see it again: spoilbook simulate --seed 9 --runs 1 --days 4\n"
	if out.String() != want {
		t.Errorf("it shows %q, not %q", &out, want)
	}
}
