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
	Title   string
	Who     access.Identity
	SignIn  bool // whether one can sign in and out here
	Menu    []menuItem
	Version string
	Body    any
}

type menuItem struct {
	Path, Name string
	Here       bool
}

// parse reads the pages, each with the frame around it.
func parse() (map[string]*template.Template, error) {
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
		t, err := template.New("frame.html").Funcs(functions()).ParseFS(files, "page/frame.html", "page/parts.html", name)
		if err != nil {
			return nil, err
		}
		pages[base] = t
	}
	return pages, nil
}

func functions() template.FuncMap {
	return template.FuncMap{
		"m3":      func(ml int64) string { return reports.CubicMetres(ml) },
		"litres":  func(ml int64) string { return reports.Litres(ml) },
		"percent": func(permille int64) string { return fmt.Sprintf("%d %%", (permille+5)/10) },
		"clock":   func(t events.Time, zone *time.Location) string { return t.Std().In(zone).Format("15:04") },
		"moment":  func(t events.Time, zone *time.Location) string { return t.Std().In(zone).Format("2 Jan 2006, 15:04") },
		"iso":     func(t events.Time) string { return t.Std().UTC().Format(time.RFC3339) },
		"words":   func(v any) string { return strings.ReplaceAll(fmt.Sprint(v), "-", " ") },
		"join":    strings.Join,
	}
}

// menu lists the pages that somebody may see.
func (s *site) menu(who access.Identity, here string) []menuItem {
	var list []menuItem
	for _, m := range []struct {
		path, name string
		op         access.Operation
	}{{"/yard", "Yard", access.YardNow}, {"/reports", "Reports", access.RunReport}, {"/people", "People", access.ListUsers}} {
		if m.op == access.ListUsers && s.Access == nil {
			continue
		}
		if who.May(m.op, anyTruck(who)) == nil {
			list = append(list, menuItem{Path: m.path, Name: m.name, Here: strings.HasPrefix(here, m.path)})
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

// show answers with a page. It is made whole before anything is sent, so that a page is never cut off in the middle.
func (s *site) show(w http.ResponseWriter, r *http.Request, status int, page, title string, body any) {
	who := access.From(r.Context())
	f := frame{Title: title, Who: who, SignIn: s.Access != nil, Menu: s.menu(who, r.URL.Path), Version: s.Version, Body: body}
	var b bytes.Buffer
	if err := s.pages[page].Execute(&b, f); err != nil {
		s.Logger.Error("web", "page", page, "error", err)
		http.Error(w, "The page could not be made. Try again; if it happens again, tell who runs this service.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // a browser that has gone away is told nothing
}
