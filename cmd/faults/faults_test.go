package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

func TestMain(m *testing.M) {
	if len(os.Args) == 4 && os.Args[1] == standName {
		main()
		return
	}
	os.Exit(m.Run())
}

// A round of every kind of fault, on real processes, breaks no promise. A third of
// the month is enough to be in the middle of something.
func TestEveryKindOfFault(t *testing.T) {
	const events, seed = 1200, 1
	st, err := newStage(t.Context(), t.TempDir(), events)
	if err != nil {
		t.Fatal(err)
	}
	r, err := plan{seed: seed, rounds: 1, harms: 1, parallel: 6, events: events}.run(t.Context(), st, testLog{t})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range r.Broken {
		t.Errorf("%s: %s\n  see it again: %s", f.Fault, f.What, f.Again)
	}
	for _, row := range r.Rows {
		if row.Times == 0 || row.Events == 0 || row.Rounds != 1 {
			t.Errorf("%s: nothing was tried: %+v", row.Fault, row)
		}
	}
}

// testLog passes lines to the log of a test.
type testLog struct{ t *testing.T }

func (l testLog) Write(b []byte) (int, error) {
	l.t.Log(strings.TrimSpace(string(b)))
	return len(b), nil
}

// The table in README has a row for each kind of fault, each was tried, and none
// lost, doubled or hid anything.
func TestReadmeTable(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, begun := strings.Cut(string(text), "<!-- faults:begin -->")
	shown, _, ended := strings.Cut(rest, "<!-- faults:end -->")
	if !begun || !ended || !strings.Contains(shown, header) {
		t.Fatal("README.md has no table of faults between its markers, with the columns of this program")
	}
	want := []string{simulated}
	for _, k := range kinds() {
		want = append(want, k.Name)
	}
	var got []string
	for _, m := range regexp.MustCompile(`(?m)^\| ([^|]+?) \| ([^|]+) \| ([^|]+) \| ([^|]+) \| ([^|]+) \| ([^|]+) \| [^|]+ \| [^|]+ \|$`).FindAllStringSubmatch(shown, -1) {
		if m[1] == "fault" || strings.HasPrefix(m[1], "---") {
			continue
		}
		got = append(got, m[1])
		if m[2] == "0" || m[3] == "0" {
			t.Errorf("%s was not tried", m[1])
		}
		for _, n := range m[4:7] {
			if n != "0" {
				t.Errorf("%s: %s where none is promised", m[1], n)
			}
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("rows are %q\nwant %q", got, want)
	}
	if strings.Contains(shown, "Broken") {
		t.Error("a promise is shown as broken")
	}
}

// What broke ends up in the table, in the JSON, and in the error, with the command
// that shows it again; and that command is one that this program takes.
func TestBrokenPromisesAreTold(t *testing.T) {
	p := plan{seed: 7, rounds: 1, harms: 1, events: 900}
	r := &result{Seed: 7, Files: map[string]int{}}
	if jobs := p.jobs(r); len(jobs) != len(kinds()) || jobs[3].seed != 7 || r.Rows[jobs[3].row].Fault != jobs[3].Name {
		t.Fatalf("jobs are %+v", jobs)
	}
	if err := r.verdict(); err != nil {
		t.Errorf("nothing broke: %v", err)
	}
	o := outcome{Times: 2, Events: 3667, Lost: 1, Undetected: 1, files: map[string]int{"engine/x": 1}}
	o.broke("an event is gone")
	r.add(4, &o, 7, p.again(7, kinds()[4].Name), testLog{t})
	var table, line bytes.Buffer
	if err := r.table(&table); err != nil {
		t.Fatal(err)
	}
	row := fmt.Sprintf("| %s | 2 | 3,667 | 1 | 0 | 1 | 0 | 0 |\n", kinds()[4].Name)
	if !strings.Contains(table.String(), row) || !strings.Contains(table.String(), "an event is gone") {
		t.Errorf("table is %s\nwant the row %s", table.String(), row)
	}
	if err := r.write(&line, ""); err != nil || !strings.Contains(line.String(), `"what":"an event is gone"`) {
		t.Errorf("JSON is %s, %v", line.String(), err)
	}
	err := r.verdict()
	if err == nil || !strings.Contains(err.Error(), p.again(7, kinds()[4].Name)) {
		t.Errorf("verdict is %v", err)
	}
	args := []string{"--seed", "7", "--rounds", "1", "--events", "900", "--only", kinds()[4].Name}
	if q, _, err := parse(args, &line); err != nil || q.seed != 7 || q.only != kinds()[4].Name || q.sims != 0 || q.events != 900 {
		t.Errorf("it is read as %+v, %v", q, err)
	}
}

func TestArgumentsThatMakeNoSense(t *testing.T) {
	for _, args := range [][]string{{"--rounds", "0"}, {"--only", "the moon"}, {"--parallel", "0"}, {"more"}, {"--seed", "x"}} {
		var said bytes.Buffer
		if err := command(args, &said, &said); err == nil || said.Len() == 0 {
			t.Errorf("%q: %v, %s", args, err, said.String())
		}
	}
}

// A simulated campaign makes the first row, and one that broke says so.
func TestSimulationRow(t *testing.T) {
	r := &result{Files: map[string]int{}}
	r.simulate(t.Context(), plan{seed: 3, sims: 2})
	row := r.Rows[0]
	if row.Fault != simulated || row.Rounds != 2 || row.Times < 100 || row.Events < 500 || row.Named == 0 || row.Lost+row.Doubled+row.Undetected != 0 || len(r.Broken) != 0 {
		t.Errorf("row is %+v, broken are %+v", row, r.Broken)
	}
	if kinds := len(r.Simulation.Faults); kinds < 20 {
		t.Errorf("the simulation has %d kinds of fault", kinds)
	}
}
