package web

import (
	"bytes"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/services/access"
)

// frame is what every page has around what is its own.
type frame struct {
	Title    string
	Language string
	Look     string
	Who      access.Identity
	SignIn   bool // whether one can sign in and out here
	Menu     []menuItem
	Version  string
	Here     string // the page's own address, for a way back
	Body     any
}

type menuItem struct {
	Path, Name string
	Here       bool
}

// parse reads the pages, each with the frame around it, for somebody's manners.
func parse(m manners) (map[string]*template.Template, error) {
	names, err := fs.Glob(files, "page/*.html")
	if err != nil {
		return nil, err
	}
	pages := map[string]*template.Template{}
	for _, name := range names {
		base := strings.TrimSuffix(path.Base(name), ".html")
		if base == "frame" || base == "parts" {
			continue
		}
		t, err := template.New("frame.html").Funcs(m.functions()).ParseFS(files, "page/frame.html", "page/parts.html", name)
		if err != nil {
			return nil, err
		}
		pages[base] = t
	}
	return pages, nil
}

// pagesFor returns the pages for somebody's manners, of which there are few ways; they are read once each.
func (s *site) pagesFor(m manners) (map[string]*template.Template, error) {
	if pages, ok := s.pages.Load(m); ok {
		return pages.(map[string]*template.Template), nil
	}
	pages, err := parse(m)
	if err == nil {
		s.pages.Store(m, pages)
	}
	return pages, err
}

// functions are what templates can do with values. What people read is said with t, quantities are written with spoil, water and mass.
func (m manners) functions() template.FuncMap {
	return template.FuncMap{
		"t":        m.Tongue.Say,
		"spoil":    func(ml int64) string { return m.Tongue.Number(reports.ShownIn(m.Measures.Spoil, ml)) },
		"water":    func(ml int64) string { return m.Tongue.Number(reports.ShownIn(m.Measures.Water, ml)) },
		"mass":     func(g int64) string { return m.Tongue.Number(reports.ShownIn(m.Measures.Mass, g)) },
		"number":   m.Tongue.Number,
		"written":  func(text string) string { return m.Tongue.Write(text) }, // what stands in reports
		"permille": func(ppm int64) int64 { return (ppm + 500) / 1000 },
		"density":  func(gPerM3 int64) string { return reports.Decimal(gPerM3, 3, 0) },
		"percent":  func(permille int64) string { return fmt.Sprintf("%d %%", (permille+5)/10) },
		"clock":    func(t events.Time, zone *time.Location) string { return t.Std().In(zone).Format("15:04") },
		"moment":   func(t events.Time, zone *time.Location) string { return m.moment(t.Std().In(zone)) },
		"duration": reports.Clock,
		"iso":      func(t events.Time) string { return t.Std().UTC().Format(time.RFC3339) },
		"words":    func(v any) string { return m.Tongue.Say(strings.ReplaceAll(fmt.Sprint(v), "-", " ")) },
		"day":      m.Tongue.Day,
		"join":     strings.Join,
		"said":     m.said,
		"capital":  m.capital,
	}
}

// moment writes a day and a time as the language does.
func (m manners) moment(t time.Time) string {
	if m.Tongue.Code() == "de" {
		return t.Format("2.1.2006, 15:04")
	}
	return t.Format("2 Jan 2006, 15:04")
}

// entry is a page of the menu: whoever may do its operation sees it.
type entry struct {
	path, name string
	op         access.Operation
}

func entries() []entry {
	return []entry{
		{"/yard", "Yard", access.YardNow},
		{"/office", "Office", access.IssueReport},
		{"/reports", "Reports", access.RunReport},
		{"/paper", "Paper", access.SubmitEvents},
		{"/register", "Register", access.ListEvents},
		{"/audit", "Audit", auditing},
		{"/people", "People", access.ListUsers},
	}
}

// menu lists the pages that somebody may see.
func (s *site) menu(who access.Identity, m manners, here string) []menuItem {
	var list []menuItem
	for _, e := range entries() {
		if e.op == access.ListUsers && s.Access == nil {
			continue
		}
		if who.May(e.op, anyTruck(who)) == nil {
			list = append(list, menuItem{Path: e.path, Name: m.Tongue.Say(e.name), Here: here == e.path || strings.HasPrefix(here, e.path+"/")})
		}
	}
	return list
}

// anyTruck is an object that somebody who is bound to trucks may ask about.
func anyTruck(who access.Identity) access.Object {
	if len(who.Trucks) > 0 {
		return access.Object{Truck: who.Trucks[0]}
	}
	return access.Object{}
}

// show answers with a page; its title is said in the reader's language. It is made whole before anything is sent, so that a page is never cut
// off in the middle.
func (s *site) show(w http.ResponseWriter, r *http.Request, status int, page, title string, body any) {
	who, m := access.From(r.Context()), mannersOf(r)
	f := frame{Title: m.Tongue.Say(title), Language: m.Tongue.Code(), Look: m.Look, Who: who, SignIn: s.Access != nil, Menu: s.menu(who, m, r.URL.Path),
		Version: s.Version, Here: r.URL.RequestURI(), Body: body}
	var b bytes.Buffer
	pages, err := s.pagesFor(m)
	if err == nil {
		err = pages[page].Execute(&b, f)
	}
	if err != nil {
		s.Logger.Error("web", "page", page, "error", err)
		http.Error(w, "The page could not be made. Try again; if it happens again, tell who runs this service.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Vary", "Cookie, Accept-Language")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // a browser that has gone away is told nothing
}
