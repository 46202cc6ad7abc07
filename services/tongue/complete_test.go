package tongue_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"text/template/parse"
	"time"

	"github.com/goccy/go-yaml"

	"spoilbook/services/tongue"
)

// said are texts with where each is said.
type said map[string]string

// inTemplates are the texts that pages say with t, found in their parse trees.
func inTemplates(t *testing.T) said {
	t.Helper()
	files, err := filepath.Glob("../web/page/*.html")
	if err != nil || len(files) < 10 {
		t.Fatalf("%d pages, %v", len(files), err)
	}
	found := said{}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		trees := map[string]*parse.Tree{}
		tree := parse.New(filepath.Base(file))
		tree.Mode = parse.SkipFuncCheck
		if _, err := tree.Parse(string(text), "", "", trees); err != nil {
			t.Fatal(err)
		}
		for _, one := range trees {
			if one.Root != nil {
				inNode(one.Root, func(key string) { found[key] = file })
			}
		}
	}
	return found
}

// inNode finds the literal keys of t below a node.
func inNode(n parse.Node, add func(string)) {
	lists := func(all ...*parse.ListNode) {
		for _, l := range all {
			if l != nil {
				for _, c := range l.Nodes {
					inNode(c, add)
				}
			}
		}
	}
	switch x := n.(type) {
	case *parse.ListNode:
		lists(x)
	case *parse.ActionNode:
		inNode(x.Pipe, add)
	case *parse.IfNode:
		inNode(x.Pipe, add)
		lists(x.List, x.ElseList)
	case *parse.RangeNode:
		inNode(x.Pipe, add)
		lists(x.List, x.ElseList)
	case *parse.WithNode:
		inNode(x.Pipe, add)
		lists(x.List, x.ElseList)
	case *parse.TemplateNode:
		if x.Pipe != nil {
			inNode(x.Pipe, add)
		}
	case *parse.PipeNode:
		for _, c := range x.Cmds {
			inNode(c, add)
		}
	case *parse.CommandNode:
		for _, a := range x.Args {
			inNode(a, add)
		}
		if len(x.Args) < 2 {
			return
		}
		name, isName := x.Args[0].(*parse.IdentifierNode)
		if text, isText := x.Args[1].(*parse.StringNode); isName && isText && name.Ident == "t" {
			add(text.Text)
		}
	}
}

// eachGo walks the Go files of folders that are no tests.
func eachGo(t *testing.T, visit func(file string, n ast.Node), folders ...string) {
	t.Helper()
	count := 0
	for _, folder := range folders {
		err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
			if d.Name() == "sheetstest" {
				return fs.SkipDir
			}
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			count++
			f, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
			if err == nil {
				ast.Inspect(f, func(n ast.Node) bool { visit(path, n); return true })
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if count < 5 {
		t.Fatalf("only %d files in %q", count, folders)
	}
}

// literal is the value of a string constant that is written out, in one piece or added up of several.
func literal(e ast.Expr) (string, bool) {
	switch x := e.(type) {
	case *ast.BasicLit:
		text, err := strconv.Unquote(x.Value)
		return text, err == nil && x.Kind == token.STRING
	case *ast.BinaryExpr:
		a, first := literal(x.X)
		b, second := literal(x.Y)
		return a + b, first && second && x.Op == token.ADD
	case *ast.ParenExpr:
		return literal(x.X)
	}
	return "", false
}

func called(x *ast.CallExpr) string {
	switch f := x.Fun.(type) {
	case *ast.SelectorExpr:
		return f.Sel.Name
	case *ast.Ident:
		return f.Name
	}
	return ""
}

// TestScreensAreWhollyInGerman finds every text of pages that has no German.
func TestScreensAreWhollyInGerman(t *testing.T) {
	keys := inTemplates(t)
	eachGo(t, func(file string, n ast.Node) {
		x, ok := n.(*ast.CallExpr)
		if !ok {
			return
		}
		place := map[string]int{"Say": 0, "say": 0, "show": 4}
		if i, asks := place[called(x)]; asks && i < len(x.Args) {
			if text, ok := literal(x.Args[i]); ok {
				keys[text] = file
			}
		}
	}, "../web")
	missing(t, keys, tongue.Of("de").Knows)
}

func missing(t *testing.T, keys said, known func(string) bool) {
	t.Helper()
	if len(keys) < 50 {
		t.Fatalf("only %d texts were found", len(keys))
	}
	for _, key := range slices.Sorted(maps.Keys(keys)) {
		if !known(key) {
			t.Errorf("%s: %q has no German text", keys[key], key)
		}
	}
}

// TestReportsAreWhollyInGerman finds every fixed text of reports and of what is written around them that has no German: titles, headings,
// notes, what settles a finding, and the names of sheets.
func TestReportsAreWhollyInGerman(t *testing.T) {
	keys := said{}
	eachGo(t, func(file string, n ast.Node) {
		add := func(e ast.Expr) {
			if text, ok := literal(e); ok && text != "" {
				keys[text] = file
			}
		}
		switch x := n.(type) {
		case *ast.CallExpr:
			switch name := called(x); {
			case strings.HasSuffix(name, "Column") && len(x.Args) > 1:
				add(x.Args[1])
			case name == "Labelled" && len(x.Args) == 1, (name == "Write" || name == "say") && strings.HasPrefix(file, "../sheets") && len(x.Args) > 0:
				add(x.Args[0])
			}
		case *ast.CompositeLit:
			if kind, ok := x.Type.(*ast.SelectorExpr); ok && (kind.Sel.Name == "Table" || kind.Sel.Name == "Document" || kind.Sel.Name == "Picture" || kind.Sel.Name == "Field") {
				for _, e := range x.Elts {
					if pair, ok := e.(*ast.KeyValueExpr); ok {
						if name, ok := pair.Key.(*ast.Ident); ok && slices.Contains([]string{"Title", "Note", "Empty", "Alt", "Label"}, name.Name) {
							add(pair.Value)
						}
					}
				}
			}
			if len(x.Elts) == 3 && strings.HasSuffix(file, "catalogue.go") {
				add(x.Elts[2])
			}
		}
	}, "../../reports", "../sheets")
	missing(t, keys, tongue.Of("de").Writes)
}

// TestNoGermanIsForNothing finds texts that are translated and said nowhere: a key that was changed, or a slip in one.
func TestNoGermanIsForNothing(t *testing.T) {
	used := inTemplates(t)
	eachGo(t, func(file string, n ast.Node) {
		if e, ok := n.(ast.Expr); ok {
			if text, ok := literal(e); ok {
				used[text] = file
				words := strings.ReplaceAll(text, "-", " ") // as pages say codes, and headings begin with them
				used[words] = file
				if words != "" {
					used[strings.ToUpper(words[:1])+words[1:]] = file
				}
			}
		}
		if x, ok := n.(*ast.CallExpr); ok && len(x.Args) > 1 && (called(x) == "counted" || called(x) == "countedIn") {
			if noun, ok := literal(x.Args[len(x.Args)-1]); ok {
				used["1 "+noun], used["%s "+noun+"s"] = file, file
			}
		}
	}, "../../reports", "../../events", "..")
	for day := time.Sunday; day <= time.Saturday; day++ {
		used[day.String()] = "package time"
	}
	for _, start := range []string{"Tipped by day", "Tonnes tipped by day"} {
		used[start+" and facility"] = "the manifest, by the length of its period"
	}
	de := tongue.Of("de")
	for _, key := range slices.Concat(de.Keys(), de.WrittenKeys()) {
		if used[key] == "" {
			t.Errorf("%q is translated and said nowhere", key)
		}
	}
}

// TestEveryTextIsSaidInOneWay finds keys that files translate differently. A text of screens and one of reports may differ.
func TestEveryTextIsSaidInOneWay(t *testing.T) {
	for _, folder := range []string{"de/*.yaml", "de/reports/*.yaml"} {
		files, err := filepath.Glob(folder)
		if err != nil || len(files) == 0 {
			t.Fatalf("%s: %d files, %v", folder, len(files), err)
		}
		says, where := said{}, said{}
		for _, file := range files {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			some := map[string]string{}
			if err := yaml.Unmarshal(text, &some); err != nil {
				t.Fatal(err)
			}
			for key, german := range some {
				if before, twice := says[key]; twice && before != german {
					t.Errorf("%q is %q in %s and %q in %s", key, before, where[key], german, file)
				}
				says[key], where[key] = german, file
			}
		}
	}
}
