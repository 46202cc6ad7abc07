package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
	"spoilbook/services/tongue"
)

const (
	shownRows     = 200 // of a table at a time; the rest is in the exports
	shownFindings = 100
)

// asked is what a page of a report is asked for, as it stands in the address.
type asked struct {
	Name, From, To, Zone, Truck, Job, Client string
	Position                                 uint64
}

func (s *site) reportRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /reports", s.chooseReport)
	mux.HandleFunc("GET /reports/{name}", s.report)
	mux.HandleFunc("GET /reports/{name}/line", s.line)
}

func (s *site) askedOf(r *http.Request) (asked, error) {
	q := r.URL.Query()
	a := asked{Name: r.PathValue("name"), From: q.Get("from"), To: q.Get("to"), Zone: q.Get("tz"), Truck: q.Get("truck"), Job: q.Get("job"), Client: q.Get("client")}
	if a.Zone == "" {
		a.Zone = s.Zone
	}
	if text := q.Get("at-position"); text != "" {
		n, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			return a, ledger.Fail(ledger.BadRequest, "at-position: found %q; allowed: a whole number", text)
		}
		a.Position = n
	}
	if !slices.Contains(ledger.ReportNames(), a.Name) {
		return a, ledger.Fail(ledger.NotFound, "there is no report %q", a.Name)
	}
	return a, nil
}

// query is the address that asks for the same.
func (a asked) query() url.Values {
	q := url.Values{"from": {a.From}, "to": {a.To}, "tz": {a.Zone}}
	for name, v := range map[string]string{"truck": a.Truck, "job": a.Job, "client": a.Client} {
		if v != "" {
			q.Set(name, v)
		}
	}
	if a.Position != 0 {
		q.Set("at-position", strconv.FormatUint(a.Position, 10))
	}
	return q
}

func (s *site) ledgerQuery(a asked) (ledger.ReportQuery, error) {
	p, err := s.Ledger.PeriodOf(a.From, a.To, a.Zone)
	return ledger.ReportQuery{Name: a.Name, Period: p, UpTo: a.Position,
		Filter: reports.Filter{Truck: events.TruckID(a.Truck), Job: events.JobID(a.Job), Client: events.ClientID(a.Client)}}, err
}

// choosePage offers the reports.
type choosePage struct {
	Reports        []choice
	From, To, Zone string
	Trucks         []events.TruckID
}

type choice struct{ Name, Title, Answers string }

// choices are the reports with what each answers.
func choices() []choice {
	return []choice{
		{"manifest", "Spoil manifest", "What was tipped, where, from which jobs, under which waste code, docket and permit"},
		{"water", "Water", "Fresh water drawn and used; decanted water by outfall against its consent"},
		{"timesplit", "Time split", "Shifts cut into activities; decants and full dumps side by side"},
		{"billable", "Billable hours", "Invoice lines from rate cards, and all time that was not billed, with why"},
		{"care", "Daily care", "Pre-start checks and daily care due, done, late and missed"},
		{"stops", "Emergency stops", "Pressed, reset, restarted, cause and downtime"},
		{"axles", "Axles", "Gross and axle masses on the road, and the room left"},
	}
}

func titleOf(name string) string {
	for _, c := range choices() {
		if c.Name == name {
			return c.Title
		}
	}
	return name
}

func (s *site) chooseReport(w http.ResponseWriter, r *http.Request) {
	who := access.From(r.Context())
	if !s.allowed(w, r, access.RunReport, anyTruck(who)) {
		return
	}
	now := s.Now().In(s.zone)
	page := choosePage{Zone: s.Zone, Trucks: who.Trucks}
	first := time.Date(now.Year(), now.Month(), 1, 0, 0, 0, 0, time.UTC)
	page.From, page.To = first.Format(time.DateOnly), now.Format(time.DateOnly)
	for _, c := range choices() {
		o := anyTruck(who)
		if o.Report = c.Name; who.May(access.RunReport, o) == nil {
			page.Reports = append(page.Reports, c)
		}
	}
	s.show(w, r, http.StatusOK, "choose", "Reports", page)
}

// reportPage is a report as it is read in a browser.
type reportPage struct {
	Asked    asked
	Document reports.Document
	Tables   []tableView
	Position uint64
	Root     string
	Findings []findingView
	More     int // findings that are not shown
	Exports  []link
}

type link struct{ Name, Path string }

type tableView struct {
	ID, Title, Note, Empty string
	Headings               []headingView
	Rows                   []rowView
	Totals                 []cellView
	Count                  int // of all rows
}

type headingView struct {
	Text   string
	Number bool
}

type rowView struct {
	Cells []cellView
	Line  string // the page that explains it, empty where there is none
}

type cellView struct {
	Text   string
	Number bool
}

type findingView struct {
	reports.Finding
	When   string
	Answer string
}

func (s *site) report(w http.ResponseWriter, r *http.Request) {
	a, err := s.askedOf(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if !s.allowed(w, r, access.RunReport, access.Object{Report: a.Name, Truck: events.TruckID(a.Truck)}) {
		return
	}
	q, err := s.ledgerQuery(a)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	computed, err := s.Ledger.Report(r.Context(), q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	computed.Document = mannersOf(r).Tongue.Document(computed.Document.Measured(mannersOf(r).Measures))
	s.show(w, r, http.StatusOK, "report", titleOf(a.Name), s.pageOf(a, computed, mannersOf(r)))
}

func (s *site) pageOf(a asked, r *ledger.Report, m manners) reportPage {
	page := reportPage{Asked: a, Document: r.Document, Position: r.Position, Root: r.Root}
	a.Position = r.Position // links stay with what was read
	_, explained := r.Computed.(reports.Explainer)
	for i := range r.Document.Tables {
		t := &r.Document.Tables[i]
		if t.Backing {
			continue
		}
		page.Tables = append(page.Tables, tableOf(t, r.Query.Period, a, explained, m.Tongue))
	}
	findings := reports.BySeverity(r.Document.Findings)
	page.More = max(0, len(findings)-shownFindings)
	for _, f := range findings[:len(findings)-page.More] {
		page.Findings = append(page.Findings, findingView{Finding: f, When: m.Tongue.Day(r.Query.Period.Local(f.At).Format("2006-01-02 15:04")), Answer: f.AnswerText()})
	}
	for _, format := range s.Formats {
		q := a.query()
		q.Set("format", format)
		m.ask(q)
		page.Exports = append(page.Exports, link{Name: format, Path: "/v1/reports/" + a.Name + "?" + q.Encode()})
	}
	return page
}

func tableOf(t *reports.Table, p reports.Period, a asked, explained bool, says tongue.Tongue) tableView {
	v := tableView{ID: "table-" + strings.ToLower(strings.ReplaceAll(t.Name, " ", "-")), Title: t.Title, Note: t.Note, Empty: t.Empty}
	number := func(c *reports.Column) bool { return c.Kind == reports.Number || c.Kind == reports.Duration }
	cells := func(list []reports.Cell) []cellView {
		var out []cellView
		for i := range list {
			if c := &t.Columns[i]; !c.Aside {
				out = append(out, cellView{Text: shownIn(says, c, list[i], p), Number: number(c)})
			}
		}
		return out
	}
	for i := range t.Columns {
		if c := &t.Columns[i]; !c.Aside {
			v.Headings = append(v.Headings, headingView{Text: c.Heading(p.Zone.String()), Number: number(c)})
		}
	}
	for row := range t.Rows {
		if v.Count++; v.Count > shownRows {
			continue
		}
		line := ""
		if row.Key != "" && explained {
			q := a.query()
			q.Set("table", t.Name)
			q.Set("line", row.Key)
			line = "/reports/" + a.Name + "/line?" + q.Encode()
		}
		v.Rows = append(v.Rows, rowView{Cells: cells(row.Cells), Line: line})
	}
	if t.Totals != nil && v.Count > 0 {
		v.Totals = cells(t.Totals)
	}
	return v
}

// shownIn returns a cell as people read it in their language.
func shownIn(says tongue.Tongue, c *reports.Column, cell reports.Cell, p reports.Period) string {
	text := c.Shown(cell, p)
	switch c.Kind {
	case reports.Number:
		return says.Number(text)
	case reports.Instant, reports.Date:
		return says.Day(text)
	case reports.YesNo:
		return says.Write(text)
	}
	return text
}

// linePage explains one line.
type linePage struct {
	Asked asked
	Back  string
	ledger.ExplanationView
}

func (s *site) line(w http.ResponseWriter, r *http.Request) {
	a, err := s.askedOf(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if !s.allowed(w, r, access.ExplainLine, access.Object{Report: a.Name, Truck: events.TruckID(a.Truck)}) {
		return
	}
	q, err := s.ledgerQuery(a)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	e, err := s.Ledger.Explain(r.Context(), q, r.URL.Query().Get("table"), r.URL.Query().Get("line"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.show(w, r, http.StatusOK, "line", "How this line came about", linePage{Asked: a, Back: "/reports/" + a.Name + "?" + a.query().Encode(), ExplanationView: ledger.ViewOf(e)})
}
