package ledger_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/events/wire"
	"spoilbook/reports"
	"spoilbook/reports/billable"
	"spoilbook/reports/tank"
	"spoilbook/reports/timesplit"
	"spoilbook/services/ledger"
)

// shelf is the part of a store that reports read, over events in memory.
type shelf struct {
	ledger.Store
	records []ledger.Record
}

// Head returns where the events end.
func (s shelf) Head(context.Context) (ledger.Head, error) {
	return ledger.Head{Position: uint64(len(s.records))}, nil
}

// Read gives the events in the order of their positions.
func (s shelf) Read(_ context.Context, sel ledger.Selection, each func(*ledger.Record) error) error {
	for i := range s.records {
		r := s.records[i]
		if r.Position <= sel.After || r.Position > sel.UpTo || len(sel.Trucks) > 0 && r.Truck != "" && !slices.Contains(sel.Trucks, r.Truck) {
			continue
		}
		if err := each(&r); err != nil {
			return err
		}
	}
	return nil
}

// ledger stores deliveries as the intake does: the first of each source and id gets
// the next position, and a repetition must say the same.
func (d *day) ledger(t *testing.T, deliveries []ledger.Record) *ledger.Ledger {
	t.Helper()
	stored, known := []ledger.Record{}, map[events.Ref]int{}
	for _, r := range deliveries {
		ref := events.Ref{Source: r.Source, ID: r.ID}
		if at, again := known[ref]; again {
			if !bytes.Equal(stored[at].Body, r.Body) {
				t.Fatalf("%s was sent twice with different bytes", ref)
			}
			continue
		}
		known[ref] = len(stored)
		r.Position = uint64(len(stored) + 1)
		stored = append(stored, r)
	}
	return ledger.New(ledger.Config{Store: shelf{records: stored}})
}

// laws checks what holds for every day, whatever it tells.
func (d *day) laws(t *testing.T) {
	t.Helper()
	sent := d.sent()
	book := d.ledger(t, sent)
	want := map[string]string{}
	for _, name := range ledger.ReportNames() {
		r := d.report(t, book, name, d.views[""])
		want[name] = told(r)
		checkTotals(t, r)
	}
	j := d.report(t, book, "timesplit", d.views[""]).Journal
	d.checkTimes(t, j)
	d.checkAccounts(t, j)
	answered := d.answerAll(t, sent, book)
	h := fnv.New64a()
	h.Write([]byte(d.archive.Comment))
	for round := range uint64(4) {
		rng := rand.New(rand.NewPCG(h.Sum64(), round))
		answered.sameAnswers(t, d, shuffled(answered.sent, rng))
		for what, deliveries := range map[string][]ledger.Record{
			"the same events in another order": shuffled(sent, rng),
			"some of the events sent again":    repeated(sent, rng),
		} {
			other := d.ledger(t, deliveries)
			for _, name := range ledger.ReportNames() {
				if got := told(d.report(t, other, name, d.views[""])); got != want[name] {
					t.Errorf("%s (round %d) give another %s report: %s", what, round, name, firstDifference(want[name], got))
				}
			}
		}
	}
}

// shuffled returns the events in a random order that says the same: what changes
// an entry or the register counts in the order in which it came, after what it
// changes, and an issued report holds all that came before it.
func shuffled(sent []ledger.Record, rng *rand.Rand) []ledger.Record {
	type placed struct {
		ledger.Record
		block int
		key   float64
	}
	list, keys := make([]placed, len(sent)), map[events.Ref]float64{}
	block, lastChange := 0, map[int]float64{}
	for i, r := range sent {
		if r.Kind == events.KindReportIssued {
			block++
		}
		p := placed{Record: r, block: block, key: rng.Float64()}
		switch ref, changes := changed(r); {
		case r.Kind == events.KindReportIssued:
			p.key = -1
		case changes:
			p.key = max(p.key, keys[ref], lastChange[block]) + 1e-9
			lastChange[block] = p.key
		}
		keys[events.Ref{Source: r.Source, ID: r.ID}] = p.key
		list[i] = p
	}
	slices.SortStableFunc(list, func(a, b placed) int {
		switch {
		case a.block != b.block:
			return a.block - b.block
		case a.key < b.key:
			return -1
		case a.key > b.key:
			return 1
		}
		return 0
	})
	out := make([]ledger.Record, len(list))
	for i := range list {
		out[i] = list[i].Record
	}
	return out
}

// changed returns the entry that an event changes; a revision of the register
// changes none but counts in its order, too.
func changed(r ledger.Record) (ref events.Ref, changes bool) {
	e, err := wire.Decode(r.Body)
	if err != nil {
		return ref, false
	}
	switch b := e.Body.(type) {
	case events.EntryCorrected:
		return b.Refers, true
	case events.EntryVoided:
		return b.Refers, true
	case events.RegisterRevised:
		return ref, true
	}
	return ref, false
}

// repeated sends about half of the events once more, at once or later.
func repeated(sent []ledger.Record, rng *rand.Rand) []ledger.Record {
	list := slices.Clone(sent)
	for _, r := range sent {
		if rng.IntN(2) == 0 {
			continue
		}
		first := slices.IndexFunc(list, func(x ledger.Record) bool { return x.ID == r.ID && x.Source == r.Source })
		list = slices.Insert(list, first+1+rng.IntN(len(list)-first), r)
	}
	return list
}

// told writes all that a report says, with the events it cites by name, for their
// positions are not those of another order.
func told(r *ledger.Report) string {
	b := &strings.Builder{}
	cites := func(positions []uint64) string {
		names := []string{}
		for _, p := range positions {
			if e := r.Journal.Recorded(p); e != nil {
				names = append(names, e.Ref().String())
			}
		}
		slices.Sort(names)
		return strings.Join(slices.Compact(names), " ")
	}
	for _, f := range r.Document.Subject {
		fmt.Fprintf(b, "%s: %s\n", f.Label, f.Text)
	}
	fmt.Fprintf(b, "%q\n%+v\n", r.Document.Notes, r.Document.Pictures)
	for _, tab := range r.Document.Tables {
		fmt.Fprintf(b, "%s %s %s %+v %v\n", tab.Name, tab.Title, tab.Note, tab.Columns, tab.Totals)
		for row := range tab.Rows {
			fmt.Fprintf(b, "%v %s\n", row.Cells, cites(row.Cites))
		}
	}
	for _, f := range r.Document.Findings {
		fmt.Fprintf(b, "%s %s %s %s %d %s %s %s about %s", f.Code, f.Severity, f.Truck, f.Job, f.At.UnixMS, f.What, f.Settle, cites(f.Cites), cites(f.Cites[:min(1, len(f.Cites))]))
		texts := []string{}
		for _, a := range f.Answers {
			texts = append(texts, a.Text)
		}
		slices.Sort(texts)
		fmt.Fprintf(b, " %q\n", texts)
	}
	return b.String()
}

func firstDifference(want, got string) string {
	a, b := strings.Split(want, "\n"), strings.Split(got, "\n")
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return fmt.Sprintf("line %d was\n%s\nand is\n%s", i+1, a[i], b[i])
		}
	}
	return fmt.Sprintf("%d lines and not %d", len(b), len(a))
}

// checkTotals adds up the rows of every table.
func checkTotals(t *testing.T, r *ledger.Report) {
	t.Helper()
	for _, tab := range r.Document.Tables {
		sums := make([]int64, len(tab.Columns))
		for row := range tab.Rows {
			for i, c := range row.Cells {
				if !c.Empty {
					sums[i] += c.Int
				}
			}
		}
		for i, c := range tab.Columns {
			switch {
			case !c.Total:
			case tab.Totals == nil || tab.Totals[i].Empty:
				t.Errorf("%s, %s: column %s has no total", r.Query.Name, tab.Name, c.Key)
			case tab.Totals[i].Int != sums[i]:
				t.Errorf("%s, %s: the total of %s is %d; its rows sum to %d", r.Query.Name, tab.Name, c.Key, tab.Totals[i].Int, sums[i])
			}
		}
	}
}

// checkTimes holds that the slices of a shift follow each other and fill it, and
// that billed time and time not billed are all time of the shifts.
func (d *day) checkTimes(t *testing.T, j *reports.Journal) {
	t.Helper()
	shiftMS := int64(0)
	for _, truck := range j.Trucks() {
		shifts, _ := timesplit.Partition(j, truck)
		for k := range shifts {
			s := &shifts[k]
			at, sum := s.From, int64(0)
			for i := range s.Slices {
				if s.Slices[i].From.UnixMS != at.UnixMS {
					t.Errorf("%s: the slice at %s does not follow the one before, which ends %s", truck, s.Slices[i].From, at)
				}
				at = s.Slices[i].To
				sum += s.Slices[i].LengthMS()
			}
			if at.UnixMS != s.To.UnixMS || sum != s.LengthMS() {
				t.Errorf("%s: slices of %d ms fill a shift of %d ms and end %s, the shift %s", truck, sum, s.LengthMS(), at, s.To)
			}
			shiftMS += s.LengthMS()
		}
	}
	far := reports.Period{From: events.MustTime("2026-01-01T00:00:00Z"), To: events.MustTime("2027-12-31T00:00:00Z"), Zone: d.zone}
	r := billable.Compute(j, reports.Request{Period: far}, billable.Options{Zones: time.LoadLocation})
	billedMS, refusedMS := int64(0), int64(0)
	for i := range r.Lines {
		billedMS += r.Lines[i].BilledMS
	}
	for i := range r.NotBilled {
		refusedMS += r.NotBilled[i].LengthMS()
	}
	if billedMS+refusedMS != shiftMS || r.ShiftMS != shiftMS {
		t.Errorf("%d ms billed and %d ms not billed; the shifts are %d ms long and the report says %d", billedMS, refusedMS, shiftMS, r.ShiftMS)
	}
}

// checkAccounts has hledger hold the double entries of all trucks together: that
// they balance, and what each account is left with.
func (d *day) checkAccounts(t *testing.T, j *reports.Journal) {
	t.Helper()
	journal, want := &strings.Builder{}, []string{}
	for _, truck := range j.Trucks() {
		a := tank.Fold(j, truck, tank.Options{})
		for piece := range a.PlainJournal(d.zone) {
			journal.WriteString(piece)
		}
		for _, b := range a.Balances() {
			for unit, grams := range map[string]int64{"gS": b.SolidsG, "gW": b.WaterG} {
				if grams != 0 {
					want = append(want, fmt.Sprintf("%s:%s %s %d", truck, b.Account, unit, grams))
				}
			}
		}
	}
	hledger(t, journal.String(), "check", "--strict", "balancednoautoconversion")
	rows, err := csv.NewReader(strings.NewReader(hledger(t, journal.String(), "balance", "--flat", "--layout=bare", "--output-format=csv"))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	got := []string{}
	for _, row := range rows[1:] {
		switch {
		case row[2] == "0":
		case strings.HasPrefix(strings.ToLower(row[0]), "total"):
			t.Errorf("hledger's total of %s is %s", row[1], row[2])
		default:
			got = append(got, strings.Join(row, " "))
		}
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("hledger's balances are\n%s\nthe accounts'\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
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
