package main

import (
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"spoilbook/services/engine"
	"spoilbook/services/intake"
	"spoilbook/services/ledger"
	"spoilbook/services/store"
)

// The runbook explains every metric, every code with its exit and HTTP status, and
// every reason for quarantine, and names none that do not exist.
func TestRunbookIsComplete(t *testing.T) {
	runbook := readDocument(t, "deploy/runbook.md")
	metric := regexp.MustCompile(`\bspoilbook_[a-z_]+`)
	exposed := map[string]bool{}
	for name, content := range readProject(t).files {
		if filepath.Ext(name) == ".go" && !isTest(name) {
			for _, m := range regexp.MustCompile(`Name:\s+"(spoilbook_[a-z_]+)"`).FindAllSubmatch(content, -1) {
				exposed[string(m[1])] = true
			}
		}
	}
	if len(exposed) == 0 {
		t.Fatal("no metric was found in the source")
	}
	for name := range exposed {
		if !strings.Contains(runbook, "| `"+name+"` |") {
			t.Errorf("the runbook has no alarm for %s", name)
		}
	}
	for _, name := range metric.FindAllString(runbook, -1) {
		if name = regexp.MustCompile(`_(count|sum|bucket)$`).ReplaceAllString(name, ""); !exposed[name] {
			t.Errorf("the runbook speaks of %s, which does not exist", name)
		}
	}
	for _, code := range ledger.Codes() {
		o := ledger.OutcomeOf(code)
		if row := fmt.Sprintf("| `%s` | %d | %d |", code, o.Exit, o.Status); !strings.Contains(runbook, row) {
			t.Errorf("the runbook lacks the line %q", row)
		}
	}
	for _, reason := range []string{intake.RefuseInvalid, intake.RefuseSubject, intake.RefuseClock, intake.RefuseUnknownTruck,
		intake.RefuseOtherBody, intake.RefuseNumberTaken} {
		if !strings.Contains(runbook, "| `"+reason+"` |") {
			t.Errorf("the runbook does not explain %s", reason)
		}
	}
}

// table matches a CREATE TABLE of the program or of the cluster, and what they
// must agree in: name, columns, sorting key.
var table = regexp.MustCompile(`CREATE TABLE IF NOT EXISTS (?:spoilbook\.)?(\w+)(?: ON CLUSTER spoilbook)? \( (.*?) \) ENGINE = (\w+)(?:\([^)]*\))? ORDER BY (.*?) SETTINGS`)

// tables returns columns and sorting key of each table that sql makes.
func tables(sql, engine string) map[string]string {
	sql = regexp.MustCompile(`--.*`).ReplaceAllString(sql, "")
	out := map[string]string{}
	for _, m := range table.FindAllStringSubmatch(strings.Join(strings.Fields(sql), " "), -1) {
		if m[3] == engine {
			out[m[1]] = m[2] + " ORDER BY " + m[4]
		}
	}
	return out
}

// The tables of a cluster have the columns and keys that the program makes on one
// machine.
func TestClusterTablesFollowTheSchema(t *testing.T) {
	own, cluster := tables(store.Schema(), "MergeTree"), tables(readDocument(t, "deploy/clickhouse/cluster.sql"), "ReplicatedMergeTree")
	if statements := strings.Count(store.Schema(), ";\n"); len(own) != statements || statements == 0 {
		t.Errorf("%d of the schema's %d statements make tables; add the others to cluster.sql, and to this test", len(own), statements)
	}
	for name, want := range own {
		if cluster[name] != want {
			t.Errorf("table %s\n is   %s\n must be %s", name, cluster[name], want)
		}
	}
}

// The statements and configuration files for a cluster can at least be read: the
// statements by ClickHouse's own parser.
func TestClusterFilesCanBeParsed(t *testing.T) {
	for _, name := range []string{"cluster.xml", "user.xml"} {
		d := xml.NewDecoder(strings.NewReader(readDocument(t, "deploy/clickhouse/"+name)))
		for {
			if _, err := d.Token(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
	}
	library, err := engine.Fetch(t.Context(), engine.FetchOptions{CacheDir: os.Getenv("SPOILBOOK_ENGINE_CACHE")})
	if err != nil {
		t.Fatal(err)
	}
	e, err := engine.Open(t.Context(), engine.Options{Dir: t.TempDir(), Library: library})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := e.Close(); err != nil {
			t.Error(err)
		}
	}()
	client := &http.Client{Transport: e.Transport()}
	sql := regexp.MustCompile(`--.*`).ReplaceAllString(readDocument(t, "deploy/clickhouse/cluster.sql"), "")
	statements := slices.DeleteFunc(strings.Split(sql, ";"), func(s string) bool { return strings.TrimSpace(s) == "" })
	if len(statements) == 0 {
		t.Error("cluster.sql holds no statement")
	}
	for _, s := range statements {
		if err := parse(t.Context(), client, s); err != nil {
			t.Errorf("%s\n%v", s, err)
		}
	}
	if err := parse(t.Context(), client, "CREATE TABLE half ("); err == nil {
		t.Error("half a statement was parsed")
	}
}

// parse has ClickHouse read a statement without running it.
func parse(ctx context.Context, client *http.Client, statement string) error {
	quoted := strings.NewReplacer(`\`, `\\`, `'`, `\'`).Replace(statement)
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://engine.invalid/", strings.NewReader("SELECT formatQuery('"+quoted+"')"))
	if err != nil {
		return err
	}
	response, err := client.Do(r)
	if err != nil {
		return err
	}
	answer, err := io.ReadAll(response.Body)
	if err == nil && response.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s", answer)
	}
	return errors.Join(err, response.Body.Close())
}
