package register

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"path"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"spoilbook/events"
	"spoilbook/events/wire"
	"spoilbook/reports"
	book "spoilbook/reports/register"
)

// Limits of what is read at once. They are far above what a fleet needs and keep
// a mistaken path from filling memory.
const (
	MaxFiles     = 500
	MaxFileBytes = 4 << 20
	MaxEntries   = 20_000
	MaxProblems  = 100
)

// Loader reads register files. The zero Loader takes them as a whole register
// that needs nothing else.
type Loader struct {
	// Known holds entries that the files may name without containing them; nil
	// for none.
	Known *book.Book
	// Location finds a time zone by its IANA name; nil for time.LoadLocation.
	Location func(name string) (*time.Location, error)
}

// Read reads every register file of fsys as the zero [Loader] does.
func Read(fsys fs.FS) ([]events.RegisterRevised, error) { return Loader{}.Read(fsys) }

// Read returns the entries of all files of fsys whose names end in .yaml or .yml,
// folders included, by file name and then in the order written. Files that cannot
// be read, or none at all, are an error; everything that is wrong in them is a
// [*Problems].
func (l Loader) Read(fsys fs.FS) ([]events.RegisterRevised, error) {
	names, err := fileNames(fsys)
	if err != nil {
		return nil, fmt.Errorf("read register files: %w", err)
	}
	r := &reading{loader: l, problems: &Problems{}}
	for _, name := range names {
		text, err := readFile(fsys, name)
		if err != nil {
			return nil, fmt.Errorf("read register files: %w", err)
		}
		r.file(name, text)
	}
	return r.settle()
}

// settle checks what was read as a set, and returns it where all is well.
func (r *reading) settle() ([]events.RegisterRevised, error) {
	r.broken = len(r.problems.List) > 0
	r.checkSet()
	if err := r.problems.err(); err != nil {
		return nil, err
	}
	revs := make([]events.RegisterRevised, len(r.items))
	for i, it := range r.items {
		revs[i] = it.revision
	}
	return revs, nil
}

// ReadFiles reads register files by name, as [Loader.Read] reads those of a folder.
func (l Loader) ReadFiles(files map[string][]byte) ([]events.RegisterRevised, error) {
	r := &reading{loader: l, problems: &Problems{}}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		if ext := path.Ext(name); ext != ".yaml" && ext != ".yml" {
			r.problems.add(Problem{File: name, Line: 1, Field: "file", Found: "another kind of file", Allowed: "a file whose name ends in .yaml or .yml"})
			continue
		}
		if len(files[name]) > MaxFileBytes {
			return nil, fmt.Errorf("%s is larger than %d bytes; split it", name, MaxFileBytes)
		}
		r.file(name, files[name])
	}
	return r.settle()
}

func fileNames(fsys fs.FS) ([]string, error) {
	var names []string
	err := fs.WalkDir(fsys, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if ext := path.Ext(name); !d.IsDir() && (ext == ".yaml" || ext == ".yml") {
			names = append(names, name)
		}
		if len(names) > MaxFiles {
			return fmt.Errorf("more than %d files; join some of them", MaxFiles)
		}
		return nil
	})
	if err == nil && len(names) == 0 {
		err = errors.New("no file whose name ends in .yaml or .yml; check the folder")
	}
	slices.Sort(names)
	return names, err
}

func readFile(fsys fs.FS, name string) ([]byte, error) {
	f, err := fsys.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, MaxFileBytes+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if len(text) > MaxFileBytes {
		return nil, fmt.Errorf("%s is larger than %d bytes; split it", name, MaxFileBytes)
	}
	return text, nil
}

// item is one entry read, with where it stands.
type item struct {
	revision events.RegisterRevised
	place    func(field string) Problem
}

// reading gathers what is read and what is wrong with it.
type reading struct {
	loader   Loader
	problems *Problems
	items    []item
	broken   bool // a file or an entry was not understood, so others may seem to be missing
}

// header is what a file says before its entries.
type header struct {
	name     string // of the file
	register events.Register
	author   string
	zone     *time.Location // nil when none is given
	from     string         // default of effectiveFrom, as written
}

// file reads the text of one file.
func (r *reading) file(name string, text []byte) {
	fail := func(line int, field, found, allowed string) {
		r.problems.add(Problem{File: name, Line: line, Field: field, Found: found, Allowed: allowed})
	}
	if line := tooDeep(text); line > 0 {
		fail(line, "file", fmt.Sprintf("more than %d lists or objects within each other", maxNesting), "fewer; look for brackets that are not closed")
		return
	}
	parsed, err := parser.ParseBytes(text, 0)
	if err != nil {
		line, message := syntaxError(err)
		fail(line, "file", message, "YAML")
		return
	}
	if len(parsed.Docs) > 1 {
		fail(2, "file", "several documents or directives", "one document; put the others into files of their own")
		return
	}
	var top ast.Node
	if len(parsed.Docs) == 1 {
		top = parsed.Docs[0].Body
	}
	where := lines{"": 1}
	place := func(field string) Problem { return Problem{File: name, Line: where.of(field)} }
	members, err := membersOf(top, "file", where, "register", "author", "timeZone", "effectiveFrom", "entries")
	if err != nil {
		r.problems.addErr(err, place)
		return
	}
	h, err := r.header(name, members)
	if err != nil {
		r.problems.addErr(err, place)
		return
	}
	entries, ok := members["entries"].(*ast.SequenceNode)
	if !ok || len(entries.Values) == 0 {
		fail(where.of("entries"), "entries", describe(members["entries"]), "a list of entries")
		return
	}
	for i, n := range entries.Values {
		r.entry(h, i+1, n)
	}
}

// maxNesting is deeper than any register file goes; the time that parsing takes
// grows with the square of the depth.
const maxNesting = 64

// tooDeep returns the line on which text may nest deeper than maxNesting, 0 when
// it does not. It takes brackets inside quotes for brackets, which errs on the
// side of refusing what nobody writes.
func tooDeep(text []byte) int {
	line, open, marks := 1, 0, 0
	leading := true // nothing but marks of list items and keys so far in this line
	for _, b := range text {
		switch b {
		case '\n':
			line, marks, leading = line+1, 0, true
		case '[', '{':
			open, leading = open+1, false
		case ']', '}':
			open, leading = max(open-1, 0), false
		case '-', '?', ':':
			if leading {
				marks++
			}
		case ' ', '\t', '\r':
		default:
			leading = false
		}
		if open > maxNesting || marks > maxNesting {
			return line
		}
	}
	return 0
}

// syntaxError returns the line and the message of the parser's error.
func syntaxError(err error) (int, string) {
	var located yaml.Error
	if errors.As(err, &located) {
		if t := located.GetToken(); t != nil && t.Position != nil {
			return t.Position.Line, located.GetMessage()
		}
	}
	first, _, _ := strings.Cut(err.Error(), "\n")
	return 1, first
}

func (r *reading) header(name string, members map[string]ast.Node) (header, error) {
	h := header{name: name}
	var reg, zone string
	err := texts(members, []textField{{"register", &reg}, {"author", &h.author}, {"timeZone", &zone}, {"effectiveFrom", &h.from}})
	if err != nil {
		return h, err
	}
	h.register = events.Register(reg)
	if events.NewDocument(h.register) == nil {
		return h, fieldError("register", strconv.Quote(reg), registersAllowed())
	}
	if zone == "" {
		return h, nil
	}
	if h.zone, err = r.loader.location(zone); err != nil {
		return h, fieldError("timeZone", strconv.Quote(zone), `an IANA time zone such as "Europe/Dublin"`)
	}
	return h, nil
}

// entry reads the number-th entry of a file.
func (r *reading) entry(h header, number int, n ast.Node) {
	where := lines{}
	where.note("", n)
	label := strconv.Itoa(number)
	place := func(field string) Problem { return Problem{File: h.name, Line: where.of(field), Entry: label} }
	members, err := membersOf(n, "entry", where, "key", "effectiveFrom", "author", "note", "document")
	if err != nil {
		r.problems.addErr(err, place)
		return
	}
	if key, ok := members["key"].(ast.ScalarNode); ok {
		label = fmt.Sprintf("%d (%s)", number, key.GetToken().Value)
	}
	rev, err := h.revision(members, where)
	if err == nil {
		c := &events.Check{}
		rev.Check(c)
		err = c.Err()
	}
	if err != nil {
		r.problems.addErr(err, place)
		return
	}
	if len(r.items) == MaxEntries {
		one := place("")
		one.Field, one.Found, one.Allowed = "entries", "more entries", fmt.Sprintf("at most %d in all files", MaxEntries)
		r.problems.add(one)
		return
	}
	r.items = append(r.items, item{rev, place})
}

// revision builds the revision that an entry's members say.
func (h header) revision(members map[string]ast.Node, where lines) (events.RegisterRevised, error) {
	rev := events.RegisterRevised{Author: h.author}
	from := h.from
	err := texts(members, []textField{{"key", &rev.Key}, {"note", &rev.Note}, {"author", &rev.Author}, {"effectiveFrom", &from}})
	if err != nil {
		return rev, err
	}
	if rev.EffectiveFrom, err = effective(from, h.zone); err != nil {
		return rev, err
	}
	document, ok := members["document"].(*ast.MappingNode)
	if !ok {
		return rev, fieldError("document", describe(members["document"]), "the members of the entry")
	}
	t := reflect.TypeOf(events.NewDocument(h.register)).Elem()
	text, err := appendJSON(nil, document, t, "document", where, 0)
	if err != nil {
		return rev, err
	}
	rev.Document, err = wire.DecodeDocument(h.register, text, "document")
	return rev, err
}

// effective reads a date, as its first instant in zone, or an RFC 3339 time.
func effective(s string, zone *time.Location) (events.Time, error) {
	day, err := time.Parse(time.DateOnly, s)
	if err != nil {
		at, err := events.ParseTime(s)
		if err != nil {
			return at, fieldError("effectiveFrom", strconv.Quote(s), "a date such as 2026-09-01, or RFC 3339 such as 2026-09-01T06:00:00+01:00")
		}
		return at, nil
	}
	if zone == nil {
		return events.Time{}, fieldError("timeZone", "nothing", "the IANA time zone in which "+s+" begins, at the top of the file")
	}
	y, m, d := day.Date()
	return events.TimeOf(reports.StartOfDay(y, m, d, zone)), nil
}

// membersOf returns the members of a mapping, which must all be among allowed;
// what names the mapping.
func membersOf(n ast.Node, what string, where lines, allowed ...string) (map[string]ast.Node, error) {
	m, ok := n.(*ast.MappingNode)
	if !ok {
		return nil, fieldError(what, describe(n), "an object with "+strings.Join(allowed, ", "))
	}
	members := map[string]ast.Node{}
	for _, pair := range m.Values {
		name, err := memberName(pair, what)
		if err != nil {
			return nil, err
		}
		where.note(name, pair.Key)
		if !slices.Contains(allowed, name) {
			return nil, fieldError(cmp.Or(name, `""`), "an unknown member", strings.Join(allowed, ", "))
		}
		members[name] = pair.Value
	}
	return members, nil
}

// textField is a member that holds text and where to put it.
type textField struct {
	name string
	into *string
}

// texts puts members into their places and leaves those not given as they are.
func texts(members map[string]ast.Node, fields []textField) error {
	for _, f := range fields {
		text, err := textOf(members[f.name], f.name)
		if err != nil {
			return err
		}
		if text != "" {
			*f.into = text
		}
	}
	return nil
}

// textOf returns the text of a scalar, "" when there is none.
func textOf(n ast.Node, field string) (string, error) {
	switch n := n.(type) {
	case nil, *ast.NullNode:
		return "", nil
	case *ast.StringNode:
		return n.Value, nil
	case *ast.LiteralNode:
		return strings.TrimSuffix(n.Value.Value, "\n"), nil
	case *ast.IntegerNode, *ast.FloatNode:
		return n.GetToken().Value, nil
	}
	return "", fieldError(field, describe(n), "text")
}

func (l Loader) location(name string) (*time.Location, error) {
	if name == "" || name == "Local" {
		return nil, errors.New("not the name of a place")
	}
	if l.Location != nil {
		return l.Location(name)
	}
	return time.LoadLocation(name)
}

func registersAllowed() string {
	words := make([]string, 0, 12)
	for _, r := range events.Registers() {
		words = append(words, string(r))
	}
	return strings.Join(words, ", ")
}
