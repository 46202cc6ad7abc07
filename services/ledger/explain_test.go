package ledger_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/txtar"

	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/reports"
	"spoilbook/reports/arithmetic"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
)

// reckoned are the reports whose explanations are held to the notation of package
// arithmetic. Those that must explain every line of every table are whole.
func reckoned() map[string]bool {
	return map[string]bool{"manifest": false, "water": false, "timesplit": false, "billable": false, "care": true, "stops": true, "axles": true}
}

// explainedLines holds the explanation of every line of a report to what unsound asks
// for and returns how many there were.
func explainedLines(t *testing.T, name string, whole bool, r *ledger.Report) int {
	t.Helper()
	explainer, ok := r.Computed.(reports.Explainer)
	if !ok {
		t.Fatalf("report %s explains nothing", name)
	}
	lines := 0
	for _, table := range r.Document.Tables {
		seen := map[string]bool{}
		for row := range table.Rows {
			e, ok := explainer.Explain(table.Name, row.Key)
			if !ok {
				if whole {
					t.Errorf("%s: %s, line %q is not explained", name, table.Name, row.Key)
				}
				continue
			}
			lines++
			if why := unsound(e, row); why != "" {
				t.Errorf("%s: %s, line %q: %s", name, table.Name, row.Key, why)
			}
			if seen[row.Key] {
				t.Errorf("%s: %s has two lines %q", name, table.Name, row.Key)
			}
			seen[row.Key] = true
		}
	}
	return lines
}

// Every line with a key of every golden day is explained, its arithmetic is true, and
// it survives being sent as JSON.
func TestEveryLineOfTheDaysIsExplained(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(daysFolder, "*.txtar"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no day was found: %v", err)
	}
	lines := map[string]int{}
	for _, file := range files {
		archive, err := txtar.ParseFile(file)
		if err != nil {
			t.Fatal(err)
		}
		d, err := readDay(archive, os.DirFS(daysFolder))
		if err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		book := d.ledger(t, d.sent())
		for name, whole := range reckoned() {
			lines[name] += explainedLines(t, name, whole, d.report(t, book, name, d.views[""]))
			if t.Failed() {
				t.Fatalf("in %s", file)
			}
		}
	}
	for name := range reckoned() {
		if lines[name] < 30 {
			t.Errorf("%d lines of %s are explained", lines[name], name)
		}
	}
}

// monthBook is a ledger that holds the demo's month.
func monthBook(t *testing.T) *ledger.Ledger {
	t.Helper()
	month, err := demo.Build()
	if err != nil {
		t.Fatal(err)
	}
	sent := []ledger.Record{}
	for _, batch := range month.Batches {
		for i := range batch.Events {
			e := &batch.Events[i]
			body, err := wire.Encode(e)
			if err != nil {
				t.Fatal(err)
			}
			sent = append(sent, ledger.Record{Source: e.Source, ID: e.ID, Seq: e.Seq, Kind: e.Kind(), Truck: e.Truck, Job: e.Job, Operator: e.Operator,
				Occurred: e.Occurred, Recorded: time.UnixMilli(e.Occurred.UnixMS), Body: body, Hash: chain.LeafHash(body)})
		}
	}
	return (&day{}).ledger(t, sent)
}

// The same for the demo's month.
func TestEveryLineOfTheMonthIsExplained(t *testing.T) {
	book := monthBook(t)
	period, err := book.PeriodOf("2026-10-01", "2026-10-31", demo.ZoneName)
	if err != nil {
		t.Fatal(err)
	}
	for name, whole := range reckoned() {
		r, err := book.Report(t.Context(), ledger.ReportQuery{Name: name, Period: period})
		if err != nil {
			t.Fatal(err)
		}
		if n := explainedLines(t, name, whole, r); n < 5 {
			t.Errorf("%d lines of %s are explained", n, name)
		}
	}
	r, err := book.Report(t.Context(), ledger.ReportQuery{Name: "axles", Period: period, Choices: ledger.Choices{AxleRule: ledger.AxlesBridge}})
	if err != nil {
		t.Fatal(err)
	}
	if n := explainedLines(t, "axles", true, r); n < 800 {
		t.Errorf("%d lines of axles under the bridge formula are explained", n)
	}
}

// unsound says what is wrong with the explanation of a row, or "".
func unsound(e reports.Explanation, row reports.Row) string {
	for _, s := range e.Steps {
		if err := arithmetic.Check(s.Arithmetic, s.Result); err != nil {
			return s.What + ": " + err.Error()
		}
	}
	if e.Says == "" || len(e.Rules) == 0 || e.Key != row.Key {
		return "it says nothing, names no rule, or has another key"
	}
	for _, p := range row.Cites {
		if !slices.Contains(e.Cites, p) {
			return "it does not cite all that the line cites"
		}
	}
	sent, err := json.Marshal(ledger.ViewOf(e))
	if err != nil {
		return err.Error()
	}
	var view ledger.ExplanationView
	if err := json.Unmarshal(sent, &view); err != nil {
		return err.Error()
	}
	back, err := view.Explanation()
	if again := ledger.ViewOf(back); err != nil || !reflect.DeepEqual(again, ledger.ViewOf(e)) {
		return "it changes when it is sent"
	}
	return ""
}

// openDay returns the ledger of a golden day and the query of a report of all of it.
func openDay(t *testing.T, name, report string) (*ledger.Ledger, ledger.ReportQuery) {
	t.Helper()
	archive, err := txtar.ParseFile(filepath.Join(daysFolder, name+".txtar"))
	if err != nil {
		t.Fatal(err)
	}
	d, err := readDay(archive, os.DirFS(daysFolder))
	if err != nil {
		t.Fatal(err)
	}
	book := d.ledger(t, d.sent())
	return book, d.report(t, book, report, d.views[""]).Query
}

func TestExplainFindsTheLine(t *testing.T) {
	book, q := openDay(t, "16-card-and-tax-change", "billable")
	lines, err := book.Lines(t.Context(), q)
	if err != nil {
		t.Fatal(err)
	}
	n := slices.IndexFunc(lines, func(l ledger.LineKey) bool {
		return l.Table == "Invoice lines" && strings.Contains(l.Shows, "2026-10-15")
	})
	if n < 0 {
		t.Fatalf("lines %+v", lines)
	}
	e, err := book.Explain(t.Context(), q, "", lines[n].Key)
	if err != nil || e.Table != "Invoice lines" || e.Key != lines[n].Key {
		t.Errorf("%+v, %v", e, err)
	}
	for _, c := range []struct{ report, table, key, says string }{
		{"billable", "", "none", `has no line "none"`}, {"billable", "Sums", lines[n].Key, "has no table"},
		{"billable", "Not billed", lines[n].Key, "has no line"}, {"stops", "", "x", "has no line"},
	} {
		q.Name, q.Choices = c.report, ledger.Choices{}
		if _, err := book.Explain(t.Context(), q, c.table, c.key); ledger.CodeOf(err) != ledger.NotFound || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s, %s, %s: %v", c.report, c.table, c.key, err)
		}
	}
}

func TestRulesOfWorkAndRestAreChosen(t *testing.T) {
	book, q := openDay(t, "13-standby", "timesplit")
	q.Rest = "eu-561-2006"
	r, err := book.Report(t.Context(), q)
	if err != nil {
		t.Fatal(err)
	}
	n := slices.IndexFunc(r.Document.Tables, func(t reports.Table) bool { return t.Name == "Work and rest" })
	if n < 0 || !strings.Contains(r.Document.Tables[n].Title, "561/2006") {
		t.Errorf("the tables do not hold it against the rules asked for")
	}
	q.Rest = "none"
	if _, err := book.Report(t.Context(), q); ledger.CodeOf(err) != ledger.BadRequest || !strings.Contains(err.Error(), "us-395") {
		t.Errorf("rules that there are not: %v", err)
	}
}
