package reports_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"regexp"
	"slices"
	"strconv"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
)

// The constants of finding.go and the catalogue name the same codes.
func TestEveryCodeIsInTheCatalogue(t *testing.T) {
	file, err := parser.ParseFile(token.NewFileSet(), "finding.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	written := []reports.Code{}
	ast.Inspect(file, func(n ast.Node) bool {
		spec, ok := n.(*ast.ValueSpec)
		if !ok {
			return true
		}
		if kind, ok := spec.Type.(*ast.Ident); ok && kind.Name == "Code" {
			for _, v := range spec.Values {
				text, err := strconv.Unquote(v.(*ast.BasicLit).Value)
				if err != nil {
					t.Fatal(err)
				}
				written = append(written, reports.Code(text))
			}
		}
		return true
	})
	slices.Sort(written)
	if len(written) < 50 || !slices.Equal(written, reports.Codes()) {
		t.Errorf("constants\n%v\ncatalogue\n%v", written, reports.Codes())
	}
	if !slices.Equal(slices.Compact(slices.Clone(written)), written) {
		t.Error("two constants have one code")
	}
}

func TestRulesSayWhatToDo(t *testing.T) {
	form := regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`)
	meanings := map[string]reports.Code{}
	for _, code := range reports.Codes() {
		rule := reports.RuleOf(code)
		if !form.MatchString(string(code)) || rule.Meaning == "" || rule.Settle == "" {
			t.Errorf("%s: %+v", code, rule)
		}
		if rule.Severity != reports.Note && rule.Severity != reports.Warning && rule.Severity != reports.Serious {
			t.Errorf("%s has severity %q", code, rule.Severity)
		}
		if other, taken := meanings[rule.Meaning]; taken {
			t.Errorf("%s and %s mean the same", code, other)
		}
		meanings[rule.Meaning] = code
	}
	if rule := reports.RuleOf("never-heard-of"); rule.Severity != reports.Serious || rule.Settle == "" {
		t.Errorf("unknown code: %+v", rule)
	}
}

func TestNewFinding(t *testing.T) {
	cites := []uint64{3, 1}
	f := reports.NewFinding(reports.NoDocket, "TM-01", events.MustTime(noon), cites, "tip %d", 7)
	cites[0] = 9
	rule := reports.RuleOf(reports.NoDocket)
	if f.What != "tip 7" || f.Severity != rule.Severity || f.Settle != rule.Settle || !slices.Equal(f.Cites, []uint64{3, 1}) {
		t.Errorf("finding %+v", f)
	}
}

func TestSortFindings(t *testing.T) {
	made := func(at int64, truck events.TruckID, code reports.Code, what string) reports.Finding {
		return reports.Finding{At: events.Time{UnixMS: at}, Truck: truck, Code: code, What: what}
	}
	want := []reports.Finding{made(1, "B", "b", "b"), made(2, "A", "b", "b"), made(2, "B", "a", "b"), made(2, "B", "b", "a"), made(2, "B", "b", "b")}
	got := slices.Clone(want)
	slices.Reverse(got)
	reports.SortFindings(got)
	for i := range want {
		if got[i].At != want[i].At || got[i].Truck != want[i].Truck || got[i].Code != want[i].Code || got[i].What != want[i].What {
			t.Fatalf("order %+v", got)
		}
	}
}

func TestFindingsAreGroupedBySeverity(t *testing.T) {
	found := func(code reports.Code, severity reports.Severity, what string) reports.Finding {
		return reports.Finding{Code: code, Severity: severity, What: what}
	}
	fs := []reports.Finding{found("n", reports.Note, "1"), found("w", reports.Warning, "2"), found("s", reports.Serious, "3"),
		found("n", reports.Note, "4"), found("x", "unheard of", "5"), found("v", reports.Warning, "6"), found("w", reports.Note, "7")}
	got := []string{}
	for _, g := range reports.GroupFindings(fs) {
		got = append(got, fmt.Sprintf("%s %s %d %s", g.Code, g.Severity, g.Count, g.First.What))
	}
	if want := []string{"x unheard of 1 5", "s serious 1 3", "w warning 1 2", "v warning 1 6", "n note 2 1", "w note 1 7"}; !slices.Equal(got, want) {
		t.Errorf("groups %q, want %q", got, want)
	}
	order := ""
	for _, f := range reports.BySeverity(fs) {
		order += f.What
	}
	if order != "5326147" {
		t.Errorf("by severity %s", order)
	}
}

func TestExampleOfAGroup(t *testing.T) {
	p, err := reports.Days("2026-10-01", "2026-10-31", time.FixedZone("", 3600))
	if err != nil {
		t.Fatal(err)
	}
	all := reports.Finding{At: events.MustTime("2026-10-05T23:30:00.000Z"), Truck: "TM-01", Job: "J-1", What: "odd"}
	for _, c := range []struct {
		f    reports.Finding
		want string
	}{{all, "2026-10-06 TM-01 J-1: odd"}, {reports.Finding{What: "odd"}, "odd"}, {reports.Finding{Job: "J-1", What: "odd"}, "J-1: odd"}} {
		if got := reports.GroupFindings([]reports.Finding{c.f})[0].Example(p); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

func TestUnion(t *testing.T) {
	a := []uint64{5, 1, 5}
	if got := reports.Union(a, nil, []uint64{3, 1}); !slices.Equal(got, []uint64{1, 3, 5}) || !slices.Equal(a, []uint64{5, 1, 5}) {
		t.Errorf("union %v, of %v", got, a)
	}
	if got := reports.Union(); len(got) != 0 {
		t.Errorf("union of nothing %v", got)
	}
}
