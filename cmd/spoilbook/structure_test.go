package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// projectRoot is the folder of go.mod, seen from this package.
const projectRoot = "../.."

const (
	maxFunctionLines    = 70
	maxFileLines        = 500
	minPackageDocLength = 200
)

// tree is the project's source as the checks see it.
type tree struct {
	fset  *token.FileSet
	files map[string][]byte     // every text file, by its path from the root
	code  map[string]*ast.File  // the Go files among them that belong to a package
	errs  map[string]error      // Go files that can not be parsed
	top   map[string]struct{}   // names in the root folder
	decls map[string][]ast.Decl // by package folder, without tests
}

func newTree(files map[string][]byte) *tree {
	tr := &tree{token.NewFileSet(), files, map[string]*ast.File{}, map[string]error{}, map[string]struct{}{}, map[string][]ast.Decl{}}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		first, _, _ := strings.Cut(name, "/")
		tr.top[first] = struct{}{}
		if path.Ext(name) != ".go" || slices.Contains(strings.Split(name, "/"), "testdata") {
			continue
		}
		f, err := parser.ParseFile(tr.fset, name, files[name], parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			tr.errs[name] = err
			continue
		}
		tr.code[name] = f
		if !isTest(name) {
			tr.decls[path.Dir(name)] = append(tr.decls[path.Dir(name)], f.Decls...)
		}
	}
	return tr
}

func isTest(name string) bool { return strings.HasSuffix(name, "_test.go") }

// names returns the Go files in alphabetical order.
func (tr *tree) names() []string { return slices.Sorted(maps.Keys(tr.code)) }

// imports calls each for every import of every Go file.
func (tr *tree) imports(each func(file, imported string)) {
	for _, name := range tr.names() {
		for _, spec := range tr.code[name].Imports {
			if imported, err := strconv.Unquote(spec.Path.Value); err == nil {
				each(name, imported)
			}
		}
	}
}

// readProject reads every text file of the checkout but what .gitignore names.
func readProject(t *testing.T) *tree {
	t.Helper()
	ignored := []string{".git"}
	text, err := os.ReadFile(filepath.Join(projectRoot, ".gitignore"))
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		ignored = append(ignored, strings.TrimSpace(line))
	}
	files := map[string][]byte{}
	root := os.DirFS(projectRoot)
	err = fs.WalkDir(root, ".", func(name string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if slices.ContainsFunc(ignored, func(pattern string) bool { return matches(pattern, name) }) {
			if entry.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		if entry.IsDir() {
			return nil
		}
		content, err := fs.ReadFile(root, name)
		if err == nil && bytes.IndexByte(content, 0) < 0 {
			files[name] = content
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return newTree(files)
}

// matches holds for the two forms that .gitignore uses here: a name anywhere, and
// a path from the root.
func matches(pattern, name string) bool {
	pattern = strings.TrimSuffix(pattern, "/")
	if rooted, ok := strings.CutPrefix(pattern, "/"); ok {
		return rooted == name
	}
	ok, err := path.Match(pattern, path.Base(name))
	return err == nil && ok
}

// check returns what is wrong in a tree, each with its place.
type check struct {
	name string
	run  func(*tree) []string
}

func checks() []check {
	return []check{
		{"imports point one way", importDirection},
		{"events and reports are pure", purity},
		{"adapters do not know each other", adapters},
		{"libraries have one home", libraries},
		{"packages are specified", packageComments},
		{"functions and files are short", lengths},
		{"nothing is skipped or left to do", leftovers},
		{"exported names are documented", exportedDocs},
		{"top level", topLevel},
		{"machine names", machineNames},
		{"lock files name no registry", lockFiles},
		{"dependencies have a reason", dependencies},
		{"packages are listed", listedPackages},
	}
}

func TestStructure(t *testing.T) {
	tr := readProject(t)
	for _, c := range checks() {
		t.Run(c.name, func(t *testing.T) {
			for _, wrong := range c.run(tr) {
				t.Error(wrong)
			}
		})
	}
}

// The checks look at the packages that the go command builds, and at no fewer.
func TestStructureSeesEveryPackage(t *testing.T) {
	list := exec.Command("go", "list", "-json=ImportPath,Imports", "./...")
	list.Dir = projectRoot
	out, err := list.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	tr := readProject(t)
	seen := 0
	for d := json.NewDecoder(bytes.NewReader(out)); d.More(); seen++ {
		var p struct {
			ImportPath string
			Imports    []string
		}
		if err := d.Decode(&p); err != nil {
			t.Fatal(err)
		}
		found := map[string]bool{}
		tr.imports(func(file, imported string) {
			found[imported] = found[imported] || "spoilbook/"+path.Dir(file) == p.ImportPath
		})
		for _, imported := range p.Imports {
			if !found[imported] {
				t.Errorf("%s imports %s, which the checks do not see", p.ImportPath, imported)
			}
		}
	}
	if seen != len(tr.decls) || seen == 0 {
		t.Errorf("go list knows %d packages and the checks %d", seen, len(tr.decls))
	}
}

// layer orders the folders: imports may only go down.
func layer(folder string) int {
	first, _, _ := strings.Cut(folder, "/")
	return slices.Index([]string{"events", "reports", "services", "cmd"}, first)
}

func importDirection(tr *tree) (wrong []string) {
	for name, err := range tr.errs {
		wrong = append(wrong, fmt.Sprintf("%s: %v", name, err))
	}
	tr.imports(func(file, imported string) {
		if own, ok := strings.CutPrefix(imported, "spoilbook/"); ok && layer(own) > layer(path.Dir(file)) {
			wrong = append(wrong, fmt.Sprintf("%s imports %s; imports go from cmd to services, reports and events", file, imported))
		}
		if layer(path.Dir(file)) < 0 {
			wrong = append(wrong, file+" lies outside cmd, services, reports and events")
		}
	})
	return wrong
}

// pureModules are the only modules outside the standard library that packages of
// events and reports may use.
func pureModules(folder string) []string {
	switch folder {
	case "events/wire":
		return []string{"github.com/go-json-experiment/json"}
	case "reports/billable":
		return []string{"github.com/shopspring/decimal", "github.com/rickar/cal/v2"}
	}
	return nil
}

// impureName matches what a fold must be given as an argument instead.
var impureName = regexp.MustCompile(`^(Now|Since|Until|Sleep|After|AfterFunc|Tick|NewTimer|NewTicker|Local|LoadLocation)$`)

// purity keeps events and reports from the machine they run on.
func purity(tr *tree) (wrong []string) {
	pure := func(file string) bool { return !isTest(file) && layer(path.Dir(file)) <= layer("reports") }
	impure := []string{"os", "net", "log", "math/rand", "crypto/rand", "database/sql", "syscall"}
	tr.imports(func(file, imported string) {
		switch {
		case !pure(file) || inModule(imported, "spoilbook"):
		case slices.ContainsFunc(impure, func(m string) bool { return inModule(imported, m) }):
			wrong = append(wrong, fmt.Sprintf("%s imports %s; pure code receives what it needs as arguments", file, imported))
		case isExternal(imported) && !slices.ContainsFunc(pureModules(path.Dir(file)), func(m string) bool { return inModule(imported, m) }):
			wrong = append(wrong, fmt.Sprintf("%s imports %s; only the standard library is allowed there", file, imported))
		}
	})
	for _, name := range tr.names() {
		if !pure(name) {
			continue
		}
		calls := map[ast.Expr]bool{}
		ast.Inspect(tr.code[name], func(n ast.Node) bool {
			if call, ok := n.(*ast.CallExpr); ok {
				calls[call.Fun] = true
			}
			s, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			x, ok := s.X.(*ast.Ident)
			// A default that callers replace may name LoadLocation; calling it reads files.
			if ok && x.Name == "time" && impureName.MatchString(s.Sel.Name) && (calls[s] || s.Sel.Name != "LoadLocation") {
				wrong = append(wrong, fmt.Sprintf("%s: time.%s; pure code receives times and zones as arguments", tr.fset.Position(s.Pos()), s.Sel.Name))
			}
			return true
		})
	}
	return wrong
}

func inModule(imported, module string) bool {
	return imported == module || strings.HasPrefix(imported, module+"/")
}

// isExternal holds for packages outside the standard library and this module.
func isExternal(imported string) bool {
	first, _, _ := strings.Cut(imported, "/")
	return strings.Contains(first, ".")
}

// adapters keeps the packages of services apart, except for those that are no
// adapters (the use cases and the Merkle tree) and the exceptions named.
func adapters(tr *tree) (wrong []string) {
	exceptions := map[string][]string{
		"services/access/accesstest": {"services/access"},                    // its vault
		"services/api":               {"services/access"},                    // every operation asks who may do it
		"services/web":               {"services/access"},                    // pages ask as operations do
		"services/client":            {"services/access"},                    // whose users and tokens it keeps from afar
		"services/demo":              {"services/register"},                  // the invented register is written as register files
		"services/rigtest":           {"services/broker", "services/engine"}, // which it joins for tests
		"services/sim":               {"services/intake"},                    // the real intake among simulated parts
	}
	onlyTests := []string{"spoilbook/reports/naive", "spoilbook/reports/explaintest", "spoilbook/reports/flows/flowstest", "spoilbook/services/sheets/sheetstest", "spoilbook/services/access/accesstest", "spoilbook/services/rigtest"}
	tr.imports(func(file, imported string) {
		folder, own := path.Dir(file), strings.TrimPrefix(imported, "spoilbook/")
		if slices.Contains(onlyTests, imported) && !isTest(file) {
			wrong = append(wrong, fmt.Sprintf("%s imports %s, which is for tests", file, imported))
		}
		if isTest(file) || !strings.HasPrefix(folder, "services/") || !strings.HasPrefix(own, "services/") {
			return
		}
		if own != "services/ledger" && own != "services/audit" && own != "services/tongue" && !slices.Contains(exceptions[folder], own) {
			wrong = append(wrong, fmt.Sprintf("%s imports %s; declare a small interface there and wire the two in cmd", file, imported))
		}
	})
	return wrong
}

// libraries keeps each of the four large libraries in one package.
func libraries(tr *tree) (wrong []string) {
	homes := [][2]string{
		{"github.com/gin-gonic/gin", "services/api"},
		{"github.com/xuri/excelize/v2", "services/sheets"},
		{"github.com/nats-io/nats.go", "services/broker"},
		{"github.com/ClickHouse/clickhouse-go/v2", "services/store"},
	}
	for _, home := range homes {
		users := map[string]bool{}
		tr.imports(func(file, imported string) {
			if !isTest(file) && inModule(imported, home[0]) {
				users[path.Dir(file)] = true
			}
		})
		if found := slices.Sorted(maps.Keys(users)); !slices.Equal(found, []string{home[1]}) {
			wrong = append(wrong, fmt.Sprintf("%s is used in %q; it belongs in %s alone", home[0], found, home[1]))
		}
	}
	return wrong
}

// packageComments wants each package to say what it is, with an example.
func packageComments(tr *tree) (wrong []string) {
	longest := map[string]int{}
	for name, f := range tr.code {
		if !isTest(name) {
			longest[path.Dir(name)] = max(longest[path.Dir(name)], len(f.Doc.Text()))
		}
	}
	for _, folder := range slices.Sorted(maps.Keys(longest)) {
		if longest[folder] < minPackageDocLength {
			wrong = append(wrong, fmt.Sprintf("%s: its package comment has %d characters; it specifies the package in at least %d", folder, longest[folder], minPackageDocLength))
		}
	}
	return wrong
}

func lengths(tr *tree) (wrong []string) {
	for _, name := range tr.names() {
		for _, d := range tr.code[name].Decls {
			f, ok := d.(*ast.FuncDecl)
			if !ok {
				continue
			}
			from, to := tr.fset.Position(f.Pos()), tr.fset.Position(f.End())
			if n := to.Line - from.Line + 1; n > maxFunctionLines {
				wrong = append(wrong, fmt.Sprintf("%s: %s has %d lines; at most %d", from, f.Name.Name, n, maxFunctionLines))
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(tr.files)) {
		n := bytes.Count(tr.files[name], []byte("\n"))
		if code := []string{".go", ".sh", ".py", ".mjs", ".js", ".css"}; slices.Contains(code, path.Ext(name)) && n > maxFileLines && !vendored(name) {
			wrong = append(wrong, fmt.Sprintf("%s has %d lines; at most %d", name, n, maxFileLines))
		}
	}
	return wrong
}

// vendored holds for files that others wrote, kept as they were published.
func vendored(name string) bool { return slices.Contains(strings.Split(name, "/"), "vendored") }

// leftovers finds tests that do not run and work put off. The words are put
// together here so that this file does not hold them.
func leftovers(tr *tree) []string {
	return found(tr, regexp.MustCompile(`\b\w+\.Sk`+`ip(f|Now)?\(|\b(TO`+`DO|FIX`+`ME|XX`+`X)\b`), "run it or remove it", func(name string) bool {
		return slices.Contains([]string{".go", ".sh", ".py", ".mjs", ".js", ".sql", ".md", ".yaml", ".conf"}, path.Ext(name))
	})
}

// machineNames finds registries and folders of one machine.
func machineNames(tr *tree) []string {
	const dot = `\.`
	hosts := []string{"registry" + dot + "npm" + "js", "registry" + dot + "yarn" + "pkg", "proxy" + dot + "golang", "sum" + dot + "golang", "deb" + dot + "debian", "security" + dot + "debian", "pypi" + dot + "org"}
	folders := "(^|[\\s\"'`=(:])/(wo" + "rk|ro" + "ot|ho" + "me|tm" + "p/w)/"
	return found(tr, regexp.MustCompile("(?m)"+strings.Join(hosts, "|")+"|"+folders), "it means nothing on another machine", func(name string) bool { return !vendored(name) })
}

// found reports every match of a pattern in the files that take chooses.
func found(tr *tree, pattern *regexp.Regexp, remedy string, take func(string) bool) (wrong []string) {
	for _, name := range slices.Sorted(maps.Keys(tr.files)) {
		if !take(name) {
			continue
		}
		content := tr.files[name]
		for _, at := range pattern.FindAllIndex(content, -1) {
			wrong = append(wrong, fmt.Sprintf("%s:%d: %q; %s", name, 1+bytes.Count(content[:at[0]], []byte("\n")), content[at[0]:at[1]], remedy))
		}
	}
	return wrong
}

func topLevel(tr *tree) (wrong []string) {
	allowed := []string{"cmd", "services", "events", "reports", "deploy", "testdata", "README.md", "DEVELOPERS.md", "go.mod", "go.sum",
		".ci", ".gitignore", ".gitattributes", ".editorconfig", "LICENSE"}
	for name := range maps.Keys(tr.top) {
		if !slices.Contains(allowed, name) {
			wrong = append(wrong, "the top level holds "+name)
		}
	}
	slices.Sort(wrong)
	return wrong
}

// lockFiles wants pinned hashes and no addresses, so that any registry serves.
func lockFiles(tr *tree) (wrong []string) {
	locks := 0
	for _, name := range slices.Sorted(maps.Keys(tr.files)) {
		if path.Base(name) != "package-lock.json" {
			continue
		}
		locks++
		var lock struct {
			Packages map[string]map[string]any `json:"packages"`
		}
		if err := json.Unmarshal(tr.files[name], &lock); err != nil || len(lock.Packages) == 0 {
			wrong = append(wrong, fmt.Sprintf("%s names no packages (%v)", name, err))
		}
		for _, entry := range slices.Sorted(maps.Keys(lock.Packages)) {
			if lock.Packages[entry]["resolved"] != nil {
				wrong = append(wrong, fmt.Sprintf("%s: %s has the key resolved; run npm with omit-lockfile-registry-resolved", name, entry))
			}
			if entry != "" && lock.Packages[entry]["integrity"] == nil {
				wrong = append(wrong, fmt.Sprintf("%s: %s has no hash", name, entry))
			}
		}
	}
	if locks == 0 {
		wrong = append(wrong, "no package-lock.json was found")
	}
	return wrong
}

// dependencies wants a reason in DEVELOPERS.md for each module that is imported.
func dependencies(tr *tree) (wrong []string) {
	required := regexp.MustCompile(`(?m)^(?:require)?\s+(\S+\.\S+/\S+|\S+\.net/\S+) v`).FindAllSubmatch(tr.files["go.mod"], -1)
	modules := map[string]bool{}
	tr.imports(func(file, imported string) {
		if !isExternal(imported) {
			return
		}
		module := ""
		for _, r := range required {
			if inModule(imported, string(r[1])) {
				module = max(module, string(r[1]))
			}
		}
		modules[cmp.Or(module, imported)] = true
	})
	for _, module := range slices.Sorted(maps.Keys(modules)) {
		if !bytes.Contains(tr.files["DEVELOPERS.md"], []byte("`"+module+"`")) {
			wrong = append(wrong, fmt.Sprintf("DEVELOPERS.md does not say what %s is for", module))
		}
	}
	if len(modules) == 0 {
		wrong = append(wrong, "no module is imported")
	}
	return wrong
}
