package main

import (
	"bytes"
	"encoding/json"
	"maps"
	"net/http/httptest"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"spoilbook/services/api"
	"spoilbook/services/ledger"
)

// board is what the tests look at of the dashboard.
type board struct {
	Title, UID string
	Panels     []struct {
		ID                       int
		Type, Title, Description string
		GridPos                  struct{ H, W, X, Y int }
		Targets                  []struct{ Expr, RefID, LegendFormat string }
	}
	Templating struct {
		List []struct{ Name string }
	}
}

var metricName = regexp.MustCompile(`\bspoilbook_[a-z_]+`)

// exposedMetrics lists every metric of the program's source.
func exposedMetrics(t *testing.T) map[string]bool {
	t.Helper()
	out := map[string]bool{}
	for name, content := range readProject(t).files {
		if strings.HasSuffix(name, ".go") && !isTest(name) {
			for _, m := range regexp.MustCompile(`Name:\s+"(spoilbook_[a-z_]+)"`).FindAllSubmatch(content, -1) {
				out[string(m[1])] = true
			}
		}
	}
	if len(out) < 15 {
		t.Fatalf("the source has %d metrics", len(out))
	}
	return out
}

// wrongOfBoard returns what is wrong in a dashboard: a metric that does not exist, one that it leaves out, a variable without a definition,
// panels of one number or over each other.
func wrongOfBoard(t *testing.T, text string, exposed map[string]bool) (wrong []string) {
	t.Helper()
	var b board
	if err := json.Unmarshal([]byte(text), &b); err != nil {
		return []string{err.Error()}
	}
	seen, ids, cells := map[string]bool{}, map[int]bool{}, map[[2]int]string{}
	variables := []string{"__rate_interval"}
	for _, v := range b.Templating.List {
		variables = append(variables, v.Name)
	}
	for _, p := range b.Panels {
		if ids[p.ID] || p.Title == "" {
			wrong = append(wrong, "the panel "+p.Title+" has the number of another, or no title")
		}
		ids[p.ID] = true
		if p.Type != "row" && (len(p.Targets) == 0 || p.Description == "") {
			wrong = append(wrong, "the panel "+p.Title+" shows nothing, or does not say what")
		}
		for x := p.GridPos.X; x < p.GridPos.X+p.GridPos.W; x++ {
			for y := p.GridPos.Y; y < p.GridPos.Y+p.GridPos.H; y++ {
				if other := cells[[2]int{x, y}]; other != "" || x >= 24 {
					wrong = append(wrong, "the panel "+p.Title+" lies over "+other+", or beyond the edge")
				}
				cells[[2]int{x, y}] = p.Title
			}
		}
		for _, target := range p.Targets {
			for _, name := range metricName.FindAllString(target.Expr, -1) {
				name = regexp.MustCompile(`_(count|sum|bucket)$`).ReplaceAllString(name, "")
				if !exposed[name] {
					wrong = append(wrong, "the panel "+p.Title+" shows "+name+", which does not exist")
				}
				seen[name] = true
			}
			for _, v := range regexp.MustCompile(`\$\{?(\w+)`).FindAllStringSubmatch(target.Expr, -1) {
				if !slices.Contains(variables, v[1]) {
					wrong = append(wrong, "the panel "+p.Title+" has the variable "+v[1]+", which is not defined")
				}
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(exposed)) {
		if !seen[name] {
			wrong = append(wrong, name+" is on no panel")
		}
	}
	return wrong
}

// The dashboard shows every metric that there is, and none that there is not; each of some mistakes is found.
func TestDashboardShowsTheMetrics(t *testing.T) {
	exposed, text := exposedMetrics(t), readDocument(t, "deploy/grafana.json")
	for _, wrong := range wrongOfBoard(t, text, exposed) {
		t.Error(wrong)
	}
	for _, change := range [][2]string{{"spoilbook_damaged", "spoilbook_harmed"}, {"$instance", "$server"}, {`"id": 2,`, `"id": 3,`}, {`"x": 6,`, `"x": 5,`}, {`"panels": [`, `"panels": `}} {
		broken := strings.Replace(text, change[0], change[1], 1)
		if broken == text || len(wrongOfBoard(t, broken, exposed)) == 0 {
			t.Errorf("%s for %s is not found", change[1], change[0])
		}
	}
}

// What a panel groups or names its lines by is a label of its metric, as a running site gives it.
func TestDashboardGroupsByLabelsThatExist(t *testing.T) {
	labels := labelsOfARunningSite(t)
	var b board
	if err := json.Unmarshal([]byte(readDocument(t, "deploy/grafana.json")), &b); err != nil {
		t.Fatal(err)
	}
	looked := 0
	for _, p := range b.Panels {
		for _, target := range p.Targets {
			for _, name := range metricName.FindAllString(target.Expr, -1) {
				name = regexp.MustCompile(`_(count|sum|bucket)$`).ReplaceAllString(name, "")
				for _, m := range regexp.MustCompile(`by \(([^)]*)\)|\{\{(\w+)\}\}`).FindAllStringSubmatch(target.Expr+target.LegendFormat, -1) {
					for label := range strings.SplitSeq(m[1]+m[2], ", ") {
						if looked++; !slices.Contains(labels[name], label) {
							t.Errorf("the panel %s goes by %q, and %s has the labels %q", p.Title, label, name, labels[name])
						}
					}
				}
			}
		}
	}
	if looked < 10 {
		t.Errorf("%d labels were looked at", looked)
	}
}

// labelsOfARunningSite returns the names of each metric's labels, with something recorded and something asked.
func labelsOfARunningSite(t *testing.T) map[string][]string {
	t.Helper()
	var log bytes.Buffer
	s, registry := watchedSite(t, filepath.Join(t.TempDir(), "d"), &log)
	defer func() {
		if err := s.close(); err != nil {
			t.Error(err)
		}
	}()
	if err := s.startIntake(t.Context()); err != nil {
		t.Fatal(err)
	}
	ticket, err := s.ledger.Submit(t.Context(), []ledger.Message{ledger.MessageOf([]byte(`{"specversion":"1.0","id":"y-1","source":"/office/yard","type":"spoilbook.entry.voided","seq":1,"origin":"office",` +
		`"time":"2026-10-05T16:30:00.000+01:00","data":{"refers":{"source":"/truck/TM-01","id":"TM-01-000022"},"author":"Yard office","reason":"entered twice"}}`))})
	if err == nil {
		_, err = s.ledger.Await(t.Context(), ticket)
	}
	if err != nil {
		t.Fatal(err)
	}
	asked := httptest.NewRecorder()
	api.New(api.Config{Ledger: s.ledger, Registry: registry}).ServeHTTP(asked, httptest.NewRequest("GET", "http://localhost/v1/head", nil))
	families, err := registry.Gather()
	if err != nil || asked.Code != 200 {
		t.Fatal(err, asked.Code)
	}
	out := map[string][]string{}
	for _, f := range families {
		for _, m := range f.GetMetric() {
			for _, l := range m.GetLabel() {
				out[f.GetName()] = append(out[f.GetName()], l.GetName())
			}
			if m.GetHistogram() != nil {
				out[f.GetName()] = append(out[f.GetName()], "le")
			}
		}
	}
	return out
}
