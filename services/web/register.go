package web

import (
	"cmp"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports/cells"
	"spoilbook/reports/fields"
	"spoilbook/reports/register"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// RegisterFiles knows the register as files and workbooks, and what holds of several entries together.
type RegisterFiles interface {
	// RegisterText returns revisions as register files by name.
	RegisterText(revs []events.RegisterRevised) (map[string][]byte, error)
	// RegisterForm returns revisions as a workbook with a sheet for each register.
	RegisterForm(revs []events.RegisterRevised) (*cells.Form, error)
	// ReadRegisterText reads register files by name, beside what is known already.
	ReadRegisterText(files map[string][]byte, known *register.Book) ([]events.RegisterRevised, error)
	// ReadRegisterWorkbook reads a workbook; days are of the zone.
	ReadRegisterWorkbook(wb *cells.Workbook, known *register.Book, author string, zone *time.Location) ([]events.RegisterRevised, error)
	// Standing returns the revisions that have not been replaced by a later one for the same time.
	Standing(known *register.Book) []events.RegisterRevised
	// Changed returns the revisions that known does not hold word for word.
	Changed(revs []events.RegisterRevised, known *register.Book) ([]events.RegisterRevised, error)
	// Verify says what is wrong with revisions beside what is known: names that are not in force, time zones that do not exist.
	Verify(revs []events.RegisterRevised, known *register.Book) []events.FieldError
	// RegisterEvents makes revisions into events, numbered from a number on.
	RegisterEvents(revs []events.RegisterRevised, known *register.Book, firstSeq uint64, occurred events.Time) ([]events.Event, error)
}

const (
	shownEntries   = 400 // of a register
	shownRevisions = 60  // of an entry, the latest
	offeredKeys    = 300 // in a list to choose from
)

func (s *site) registerRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /register", s.registerPage)
	mux.HandleFunc("GET /register/{kind}", s.registerKind)
	mux.HandleFunc("GET /register/{kind}/{key}", s.registerEntry)
	mux.HandleFunc("GET /register/{kind}/-new", s.reviseNew)
	mux.HandleFunc("GET /register/{kind}/{key}/revise", s.reviseForm)
	mux.HandleFunc("POST /register/{kind}/-preview", s.revisePreview)
	mux.HandleFunc("POST /register/{kind}/-record", s.reviseRecord)
	mux.HandleFunc("GET /register/-all.xlsx", s.registerWorkbook)
	mux.HandleFunc("GET /register/-all.zip", s.registerZip)
	mux.HandleFunc("GET /register/{kind}/-all.yaml", s.registerYAML)
	mux.HandleFunc("POST /register/-hand-in", s.handRegisterIn)
	mux.HandleFunc("GET /register/-look", s.lookAtRegister)
	mux.HandleFunc("POST /register/-load", s.loadRegister)
}

// mayRead asks whether somebody may read a register and finds it; an empty kind is the list of all.
func (s *site) mayRead(w http.ResponseWriter, r *http.Request, kind string) bool {
	who := access.From(r.Context())
	if !s.allowed(w, r, access.ListEvents, anyTruck(who)) {
		return false
	}
	switch {
	case kind == "":
		return true
	case events.NewDocument(events.Register(kind)) == nil:
		s.fail(w, r, ledger.Fail(ledger.NotFound, "there is no register %q", kind))
		return false
	case !who.MaySee("", events.Register(kind)):
		s.fail(w, r, ledger.Fail(ledger.NotAllowed, "the role %s does not include prices, so not the register %s", who.Role, kind))
		return false
	}
	return true
}

// revising is what somebody has to be allowed to revise the register.
func revising() access.Object {
	return access.Object{Kind: events.KindRegisterRevised, Source: events.OfficeSource(ledger.RegisterDesk)}
}

func mayRevise(r *http.Request) bool {
	return access.From(r.Context()).May(access.SubmitEvents, revising()) == nil
}

// kindName is what a register is called.
func (m manners) kindName(r events.Register) string { return m.Tongue.Say(kindNames()[r]) }

func kindNames() map[events.Register]string {
	return map[events.Register]string{events.CarrierRegister: "Carriers", events.TruckRegister: "Trucks", events.OperatorRegister: "Operators", events.ClientRegister: "Clients",
		events.JobRegister: "Jobs", events.MaterialRegister: "Materials", events.FacilityRegister: "Facilities", events.WaterSourceRegister: "Water sources", events.OutfallRegister: "Outfalls",
		events.RateCardRegister: "Rate cards", events.CalendarRegister: "Holiday calendars", events.TaxRegister: "Taxes"}
}

type registerPage struct {
	Kinds          []kindView
	Edit           bool
	Zone           string
	Wrong, Do      string
	Problems       []cells.Problem
	More           int
	TextProblems   []string
	Entries, Since int
}

type kindView struct {
	Kind, Name string
	Entries    int
}

func (s *site) registerPage(w http.ResponseWriter, r *http.Request) {
	if s.mayRead(w, r, "") {
		s.showRegister(w, r, http.StatusOK, registerPage{})
	}
}

func (s *site) showRegister(w http.ResponseWriter, r *http.Request, status int, page registerPage) {
	b, err := s.registerNow(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	who, m := access.From(r.Context()), mannersOf(r)
	order := []events.Register{events.TruckRegister, events.OperatorRegister, events.JobRegister, events.ClientRegister, events.MaterialRegister, events.FacilityRegister,
		events.WaterSourceRegister, events.OutfallRegister, events.RateCardRegister, events.TaxRegister, events.CalendarRegister, events.CarrierRegister}
	for _, k := range order {
		if who.MaySee("", k) {
			page.Kinds = append(page.Kinds, kindView{string(k), m.kindName(k), len(b.Keys(k))})
		}
	}
	page.Edit, page.Zone = mayRevise(r), s.Zone
	s.show(w, r, status, "register", "Register", page)
}

type kindPage struct {
	Kind    string
	Entries []entryView
	More    int
	Edit    bool
	Zone    *time.Location
}

type entryView struct {
	Key, Name string
	From      events.Time
	Later     bool // it does not hold yet
	Revisions int
}

// nameOf is what an entry is known by beside its key.
func nameOf(d events.Document) string {
	switch d := d.(type) {
	case events.Carrier:
		return d.Name
	case events.Truck:
		return d.Name + " (" + d.Registration + ")"
	case events.Operator:
		return d.Name
	case events.Client:
		return d.Name
	case events.Job:
		return d.Name
	case events.Material:
		return d.Description
	case events.Facility:
		return d.Name
	case events.WaterSource:
		return d.Name
	case events.Outfall:
		return d.Name
	case events.RateCard:
		return d.Name
	case events.Calendar:
		return d.Name
	case events.Tax:
		return d.Name
	}
	return ""
}

func (s *site) registerKind(w http.ResponseWriter, r *http.Request) {
	kind := r.PathValue("kind")
	if !s.mayRead(w, r, kind) {
		return
	}
	b, err := s.registerNow(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	page := kindPage{Kind: kind, Edit: mayRevise(r), Zone: s.zone}
	now := events.TimeOf(s.Now())
	for i, key := range b.Keys(events.Register(kind)) {
		if i == shownEntries {
			page.More = len(b.Keys(events.Register(kind))) - i
			break
		}
		history := b.History(events.Register(kind), key)
		rev, holds := b.At(events.Register(kind), key, now)
		if !holds {
			rev = history[0]
		}
		page.Entries = append(page.Entries, entryView{Key: key, Name: nameOf(rev.Document), From: rev.From, Later: !holds, Revisions: len(history)})
	}
	s.show(w, r, http.StatusOK, "register-kind", kindNames()[events.Register(kind)], page)
}

// entryPage is an entry with its history.
type entryPage struct {
	Kind, KindName, Key, Name string
	Now                       []change // what it says now
	Lists                     []listView
	Revisions                 []revisionView
	Older                     int
	Edit                      bool
	Done                      string
	Zone                      *time.Location
}

// listView is a list of an entry, as a table.
type listView struct {
	Label string
	Heads []headingView
	Rows  [][]string
}

// reading returns what an entry says: its fields, and its lists.
func (m manners) reading(d events.Document) ([]change, []listView) {
	schema := fields.Of(d.Register())
	values, _ := schema.Values(d) // an entry that was recorded can be read
	var lists []listView
	for i := range schema.Groups {
		g := &schema.Groups[i]
		v := listView{Label: m.Tongue.Say(g.Label)}
		for n := range g.Items(values) {
			row := []string{}
			for k := range g.Fields {
				row = append(row, m.shown(&g.Fields[k], values[fields.ItemPath(g.Path, n, g.Fields[k].Path)]))
			}
			v.Rows = append(v.Rows, row)
		}
		for k := range g.Fields {
			head := headingView{Text: m.Tongue.Say(g.Fields[k].Label), Number: g.Fields[k].Kind == fields.Whole || g.Fields[k].Kind == fields.Amount}
			if u := g.Fields[k].Unit; u != "" {
				head.Text += " (" + u + ")"
			}
			v.Heads = append(v.Heads, head)
		}
		if len(v.Rows) > 0 {
			lists = append(lists, v)
		}
	}
	schema.Groups = nil
	return m.compare(&schema, nil, values), lists
}

type revisionView struct {
	Position          uint64
	From, At          events.Time
	Author, Note      string
	First, Standing   bool
	Changes           []change
	Undo              bool // whether it can be undone by a further revision
	ReplacedBy        uint64
	Holds             bool // now
	Source            string
	UndoPath, RowName string
}

// change is a field as it was and as it is.
type change struct{ Label, Was, Is string }

// changes compares two entries of a register field by field; before may be nil.
func (m manners) changes(before, after events.Document) []change {
	schema := fields.Of(after.Register())
	was := map[string]string{}
	if before != nil {
		was, _ = schema.Values(before) // an entry that was recorded can be read
	}
	is, _ := schema.Values(after)
	return m.compare(&schema, was, is)
}

// compare lists the fields that differ.
func (m manners) compare(schema *fields.Schema, was, is map[string]string) []change {
	var list []change
	add := func(label, unit, path string, f *fields.Field) {
		a, b := m.shown(f, was[path]), m.shown(f, is[path])
		if a == b {
			return
		}
		if unit != "" {
			label += " (" + unit + ")"
		}
		list = append(list, change{label, a, b})
	}
	for i := range schema.Fields {
		f := &schema.Fields[i]
		add(m.Tongue.Say(f.Label), f.Unit, f.Path, f)
	}
	for i := range schema.Groups {
		g := &schema.Groups[i]
		for n := range max(g.Items(was), g.Items(is)) {
			for k := range g.Fields {
				f := &g.Fields[k]
				add(m.Tongue.Say(g.Label)+" "+strconv.Itoa(n+1)+": "+m.Tongue.Say(f.Label), f.Unit, fields.ItemPath(g.Path, n, f.Path), f)
			}
		}
	}
	return list
}

// shown writes what a field says, for reading.
func (m manners) shown(f *fields.Field, text string) string {
	switch f.Kind {
	case fields.Words:
		if f.Choices == nil {
			return text
		}
		parts := strings.Split(text, ", ")
		for i := range parts {
			parts[i] = m.Tongue.Say(strings.ReplaceAll(parts[i], "-", " "))
		}
		return strings.Join(parts, ", ")
	case fields.YesNo, fields.Choice:
		return m.Tongue.Say(strings.ReplaceAll(text, "-", " "))
	case fields.Whole, fields.Amount:
		return m.Tongue.Number(text)
	}
	return text
}

func (s *site) registerEntry(w http.ResponseWriter, r *http.Request) {
	kind, key := r.PathValue("kind"), r.PathValue("key")
	if !s.mayRead(w, r, kind) {
		return
	}
	list, err := s.Ledger.RegisterRevisions(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	b := register.NewBook(list)
	history := b.History(events.Register(kind), key)
	if len(history) == 0 {
		s.fail(w, r, ledger.Fail(ledger.NotFound, "the register %s has no entry %q", kind, key))
		return
	}
	m := mannersOf(r)
	page := entryPage{Kind: kind, KindName: m.kindName(events.Register(kind)), Key: key, Edit: mayRevise(r), Zone: s.zone}
	recorded := map[uint64]*events.Recorded{}
	for i := range list {
		recorded[list[i].Position] = &list[i]
	}
	page.Revisions = m.revisions(history, recorded, b, events.TimeOf(s.Now()))
	page.Older = max(0, len(page.Revisions)-shownRevisions)
	page.Revisions = page.Revisions[:len(page.Revisions)-page.Older]
	reading := history[0]
	if now, ok := b.At(events.Register(kind), key, events.TimeOf(s.Now())); ok {
		reading = now
	}
	page.Name = nameOf(reading.Document)
	page.Now, page.Lists = m.reading(reading.Document)
	if text := r.URL.Query().Get("recorded"); text != "" {
		if n, err := strconv.ParseUint(text, 10, 64); err == nil {
			page.Done = m.Tongue.Say("The revision is recorded at position %d.", n)
		}
	}
	s.show(w, r, http.StatusOK, "register-entry", key, page)
}

// revisions are the history of an entry, the latest to be recorded first.
func (m manners) revisions(history []register.Revision, recorded map[uint64]*events.Recorded, b *register.Book, now events.Time) []revisionView {
	current, _ := b.At(history[0].Register, history[0].Key, now)
	var list []revisionView
	for i, rev := range history {
		v := revisionView{Position: rev.Position, From: rev.From, Author: rev.Author, Note: rev.Note, First: i == 0, Standing: true, Holds: rev.Position == current.Position}
		if e := recorded[rev.Position]; e != nil {
			v.At, v.Source = e.At, string(e.Source)
		}
		if i+1 < len(history) && history[i+1].From.UnixMS == rev.From.UnixMS {
			v.Standing, v.ReplacedBy = false, history[i+1].Position
		}
		var before events.Document
		if i > 0 {
			before = history[i-1].Document
		}
		v.Changes, v.Undo = m.changes(before, rev.Document), i > 0 && v.Standing
		list = append(list, v)
	}
	slices.SortFunc(list, func(a, b revisionView) int { return cmp.Compare(b.Position, a.Position) })
	return list
}
