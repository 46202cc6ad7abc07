package tank_test

import (
	"encoding/csv"
	"fmt"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports/tank"
)

func plain(a *tank.Account) string {
	return strings.Join(slices.Collect(a.PlainJournal(time.UTC)), "")
}

// hledger runs the independent double-entry program over a journal.
func hledger(t *testing.T, journal string, args ...string) string {
	t.Helper()
	path, err := exec.LookPath("hledger")
	if err != nil {
		t.Fatalf("hledger holds the movements to account and is not installed; deploy/check.sh installs it: %v", err)
	}
	c := exec.CommandContext(t.Context(), path, append([]string{"-f", "-"}, args...)...)
	c.Stdin = strings.NewReader(journal)
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("hledger %v: %v\n%s", args, err, out)
	}
	return string(out)
}

// agrees holds hledger's balances of an account against its own.
func agrees(t *testing.T, a *tank.Account) {
	t.Helper()
	journal := plain(a)
	hledger(t, journal, "check", "--strict", "balancednoautoconversion")
	if total := hledger(t, journal, "balance", "--flat"); len(a.Movements) > 0 {
		lines := strings.Split(strings.TrimSpace(total), "\n")
		if got := strings.TrimSpace(lines[len(lines)-1]); got != "0" {
			t.Errorf("hledger's total is %q; want 0", got)
		}
	}
	rows, err := csv.NewReader(strings.NewReader(hledger(t, journal, "balance", "--flat", "--no-total", "--layout=bare", "--output-format=csv"))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	got := []string{}
	for _, row := range rows[1:] {
		if row[2] != "0" {
			got = append(got, strings.Join(row, " "))
		}
	}
	want := []string{}
	for _, b := range a.Balances() {
		for _, part := range []string{fmt.Sprintf("gS %d", b.SolidsG), fmt.Sprintf("gW %d", b.WaterG)} {
			if !strings.HasSuffix(part, " 0") {
				want = append(want, fmt.Sprintf("%s:%s %s", a.Truck, b.Account, part))
			}
		}
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("hledger's balances are\n%s\nthe account's\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestHledgerAgreesOnScenario(t *testing.T) {
	y := newYard()
	y.at("", events.WaterRefilled{WaterSource: mains, Volume: measuredML(3_500_000)})
	y.at("J-1", bankLoad())
	y.at("J-1", clearDecant(1_500_000))
	y.at("", events.SpoilTipped{Facility: pit, PortionPPM: 500_000})
	agrees(t, y.fold(tank.Options{}))
}

func TestHledgerAgreesOnRandomDays(t *testing.T) {
	days := rapid.Custom(day)
	for seed := range 8 {
		agrees(t, days.Example(seed).fold(tank.Options{FirstInFirstOut: seed%2 == 1}))
	}
}

func TestPlainTransaction(t *testing.T) {
	y := newYard()
	y.at("J-1", slurry(clay, 1_000_000, 1_330_000))
	journal := plain(y.fold(tank.Options{}))
	want := fmt.Sprintf(`2026-10-05 site to debris-tank  ; time:06:01:00.000, job:J-1, material:M-CLAY, positions:%d
    TM-01:debris-tank  530000 gS
    TM-01:site  -530000 gS
    TM-01:debris-tank  800000 gW
    TM-01:site  -800000 gW

`, len(y.recs))
	if !strings.HasSuffix(journal, want) {
		t.Errorf("the journal ends in\n%s\nwant\n%s", journal, want)
	}
}
