package web

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/consignments"
	"spoilbook/reports/manifest"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// auditing is the operation that the pages of an audit ask for: who may read the double entry of the tanks may follow it from figure to event.
const auditing = access.Postings

// auditRows is how many lines a page of the audit shows at a time.
const auditRows = 50

// Export is how a report is written as a file.
type Export struct{ Format, By, SpoilUnit, WaterUnit, MassUnit, Language string }

// Exporter writes a report as a file.
type Exporter func(ctx context.Context, w io.Writer, r *ledger.Report, e Export) error

func (s *site) auditRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /audit", func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, "/audit/consignments", http.StatusSeeOther)
	})
	mux.HandleFunc("GET /audit/consignments", s.auditConsignments)
	mux.HandleFunc("GET /audit/export/consignments", s.auditConsignmentsFile)
	mux.HandleFunc("GET /audit/consignments/{number}", s.auditConsignment)
	mux.HandleFunc("GET /audit/event/{position}", s.auditEvent)
	mux.HandleFunc("GET /audit/balance", s.auditBalance)
	mux.HandleFunc("GET /audit/changes", s.auditChanges)
	s.findingRoutes(mux)
}

// audited is what a page of the audit is asked for: a period, and the ledger position up to which events count, 0 for all.
type audited struct {
	From, To, Zone string
	Position       uint64
	Profile        string
	Period         reports.Period
}

// auditedOf reads period, position and profile from an address. Without a period it is the present month or, where nothing was
// recorded of it yet, the month of the latest tip.
func (s *site) auditedOf(r *http.Request) (audited, error) {
	q := r.URL.Query()
	a := audited{From: q.Get("from"), To: q.Get("to"), Zone: q.Get("tz"), Profile: q.Get("profile")}
	if a.Zone == "" {
		a.Zone = s.Zone
	}
	var err error
	if a.Position, err = positionIn(q, "at-position"); err != nil {
		return a, err
	}
	if a.From == "" && a.To == "" {
		a.From, a.To, err = s.latestMonth(r.Context())
		if err != nil {
			return a, err
		}
	}
	a.Period, err = s.Ledger.PeriodOf(a.From, a.To, a.Zone)
	return a, err
}

func positionIn(q url.Values, name string) (uint64, error) {
	text := strings.TrimSpace(q.Get(name))
	if text == "" {
		return 0, nil
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		return 0, ledger.Fail(ledger.BadRequest, "%s: found %q; allowed: a whole number", name, text)
	}
	return n, nil
}

// lately is how many of the latest positions are looked at for the latest tip.
const lately = 5000

func (s *site) latestMonth(ctx context.Context) (first, last string, err error) {
	day := s.Now().In(s.zone)
	head, err := s.Ledger.Head(ctx)
	if err != nil {
		return "", "", err
	}
	if head.Position > 0 {
		tips, err := s.Ledger.Events(ctx, ledger.EventQuery{Kind: events.KindSpoilTipped, After: head.Position - min(head.Position, lately), Limit: ledger.MaxPage})
		if err != nil {
			return "", "", err
		}
		latest := events.Time{}
		for i := range tips {
			if latest.Before(tips[i].Occurred) {
				latest = tips[i].Occurred
			}
		}
		if at := latest.Std().In(s.zone); !latest.IsZero() && at.Before(day) {
			day = at
		}
	}
	y, m, _ := day.Date()
	return time.Date(y, m, 1, 0, 0, 0, 0, time.UTC).Format(time.DateOnly), time.Date(y, m+1, 0, 0, 0, 0, 0, time.UTC).Format(time.DateOnly), nil
}

// auditNav lists the pages of the audit, each for the same period and position.
func auditNav(a audited, r *http.Request) []menuItem {
	var list []menuItem
	for _, p := range []struct{ path, name string }{{"/audit/consignments", "Consignments"}, {"/audit/findings", "Findings"}, {"/audit/balance", "Balance"}, {"/audit/changes", "Changes"}} {
		to := p.path
		if a.From != "" {
			to += "?" + a.Query()
		}
		list = append(list, menuItem{Path: to, Name: mannersOf(r).Tongue.Say(p.name), Here: r.URL.Path == p.path})
	}
	return list
}

// query is the address part that asks for the same.
func (a *audited) query() url.Values {
	q := url.Values{"from": {a.From}, "to": {a.To}, "tz": {a.Zone}}
	if a.Position != 0 {
		q.Set("at-position", strconv.FormatUint(a.Position, 10))
	}
	if a.Profile != "" {
		q.Set("profile", a.Profile)
	}
	return q
}

// Query is the address part that asks for the same.
func (a audited) Query() string { return a.query().Encode() }

// Link is the address of another page of the audit for the same.
func (a audited) Link(path string) string { return path + "?" + a.Query() }

func (a *audited) report(name string, f reports.Filter) ledger.ReportQuery {
	q := ledger.ReportQuery{Name: name, Period: a.Period, Filter: f, UpTo: a.Position}
	if name == "manifest" {
		q.Profile = a.Profile
	}
	return q
}

// manifestOf computes the manifest that a page of the audit shows.
func (s *site) manifestOf(ctx context.Context, a *audited) (*ledger.Report, *manifest.Report, error) {
	r, err := s.Ledger.Report(ctx, a.report("manifest", reports.Filter{}))
	if err != nil {
		return nil, nil, err
	}
	m, ok := r.Computed.(*manifest.Report)
	if !ok {
		return nil, nil, ledger.Fail(ledger.Internal, "a manifest is a %T", r.Computed)
	}
	return r, m, nil
}

// consignmentsPage is the manifest register, picked and sorted.
type consignmentsPage struct {
	audited
	Nav         []menuItem
	AtPosition  uint64
	Root        string
	Filter      consignments.Filter
	Order       string
	Sums        consignments.Sums
	All         int // consignments of the period, before picking
	Rows        []consignmentRow
	First, Last int
	Newer, More string // addresses of the pages before and after
	Choices     consignments.Choices
	Profiles    []manifest.Profile
	Headings    []sortHeading
	Exports     []link
	Filtered    bool
}

// consignmentRow is a consignment in the register.
type consignmentRow struct {
	*manifest.Consignment
	Path, Sites, Codes, FacilityName string
	Awaited                          bool
}

// sortHeading is a heading that sorts by its column.
type sortHeading struct {
	Text, Path, Sorted string // Sorted is "ascending", "descending" or empty
	Number             bool
}

func filterOf(q url.Values) consignments.Filter {
	return consignments.Filter{Facility: events.FacilityID(q.Get("facility")), Job: events.JobID(q.Get("job")), Client: events.ClientID(q.Get("client")),
		Truck: events.TruckID(q.Get("truck")), Code: q.Get("code"), Hazardous: q.Get("hazardous"), Record: q.Get("record"), Discrepancy: q.Get("discrepancy"),
		Docket: q.Get("docket"), Text: strings.TrimSpace(q.Get("text"))}
}

// selected is the address part of a selection.
func selected(a *audited, f consignments.Filter, order string) url.Values {
	q := a.query()
	for name, v := range map[string]string{"facility": string(f.Facility), "job": string(f.Job), "client": string(f.Client), "truck": string(f.Truck), "code": f.Code,
		"hazardous": f.Hazardous, "record": f.Record, "discrepancy": f.Discrepancy, "docket": f.Docket, "text": f.Text, "order": order} {
		if v != "" {
			q.Set(name, v)
		}
	}
	return q
}

func (s *site) auditConsignments(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, auditing, access.Object{}) {
		return
	}
	a, err := s.auditedOf(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	whole, m, err := s.manifestOf(r.Context(), &a)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	picked := consignments.Select(m, filterOf(r.URL.Query()), r.URL.Query().Get("order"))
	a.Position = whole.Position // links stay with what was read
	page := consignmentsPage{audited: a, Nav: auditNav(a, r), AtPosition: whole.Position, Root: whole.Root, Filter: picked.Filter, Order: picked.Order, Sums: picked.Sums, All: len(m.Consignments),
		Choices: consignments.ChoicesOf(m), Profiles: manifest.Profiles(), Filtered: picked.Filter != consignments.Filter{}}
	page.fill(&picked, pageIn(r), mannersOf(r))
	for _, format := range s.Formats {
		if s.Export != nil && (format == "xlsx" || format == "csv") {
			q := selected(&a, picked.Filter, picked.Order)
			q.Set("format", format)
			page.Exports = append(page.Exports, link{Name: format, Path: "/audit/export/consignments?" + q.Encode()})
		}
	}
	s.show(w, r, http.StatusOK, "audit-consignments", "Consignments", page)
}

func pageIn(r *http.Request) int {
	n, err := strconv.Atoi(r.URL.Query().Get("page"))
	if err != nil {
		return 1
	}
	return max(1, n)
}

// fill adds one page of what was picked.
func (p *consignmentsPage) fill(picked *consignments.Selection, page int, m manners) {
	page = min(page, max(1, (len(picked.Consignments)+auditRows-1)/auditRows))
	from := (page - 1) * auditRows
	to := min(from+auditRows, len(picked.Consignments))
	at := func(n int) string {
		q := selected(&p.audited, picked.Filter, picked.Order)
		q.Set("page", strconv.Itoa(n))
		return "/audit/consignments?" + q.Encode()
	}
	if p.First, p.Last = from+1, to; page > 1 {
		p.Newer = at(page - 1)
	}
	if to < len(picked.Consignments) {
		p.More = at(page + 1)
	}
	for _, c := range picked.Consignments[from:to] {
		p.Rows = append(p.Rows, consignmentRow{c, "/audit/consignments/" + url.PathEscape(c.Key) + "?" + p.Query(), consignments.Sites(c), consignments.Codes(c), consignments.FacilityName(c), c.AwaitsDocket()})
	}
	for _, h := range []struct {
		text, order string
		number      bool
	}{{"Consignment", "number", false}, {"Tipped", "tipped", false}, {"Truck", "truck", false}, {"From", "", false}, {"Waste code", "", false}, {"Facility", "facility", false},
		{"Mass", "mass", true}, {"Volume", "", true}, {"Docket", "", false}, {"Docket less account", "difference", true}, {"Items missing", "missing", true}} {
		heading := sortHeading{Text: m.Tongue.Say(h.text), Number: h.number}
		if h.order != "" {
			next := h.order
			switch picked.Order {
			case h.order:
				heading.Sorted, next = "ascending", "-"+h.order
			case "-" + h.order:
				heading.Sorted = "descending"
			}
			heading.Path = "/audit/consignments?" + selected(&p.audited, picked.Filter, next).Encode()
		}
		p.Headings = append(p.Headings, heading)
	}
}

// auditConsignmentsFile is the same selection as a file.
func (s *site) auditConsignmentsFile(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, auditing, access.Object{}) {
		return
	}
	format := r.URL.Query().Get("format")
	if s.Export == nil || !slices.Contains([]string{"xlsx", "csv"}, format) {
		s.fail(w, r, ledger.Fail(ledger.BadRequest, "format: found %q; allowed: xlsx, csv", format))
		return
	}
	a, err := s.auditedOf(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	whole, m, err := s.manifestOf(r.Context(), &a)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	picked := consignments.Select(m, filterOf(r.URL.Query()), r.URL.Query().Get("order"))
	file := *whole
	file.Computed, file.Document = nil, picked.Document()
	s.sendFile(w, r, &file, format, fmt.Sprintf("consignments-%s-%s.%s", a.From, a.To, format))
}

// sendFile answers with a report as a file in the reader's units and language.
func (s *site) sendFile(w http.ResponseWriter, r *http.Request, report *ledger.Report, format, name string) {
	m, units := mannersOf(r), url.Values{}
	m.ask(units)
	var b strings.Builder
	err := s.Export(r.Context(), &b, report, Export{Format: format, By: access.From(r.Context()).Author(), SpoilUnit: units.Get("spoil-unit"), WaterUnit: units.Get("water-unit"),
		MassUnit: units.Get("mass-unit"), Language: units.Get("language")})
	if err != nil {
		s.fail(w, r, err)
		return
	}
	kind := "text/csv; charset=utf-8"
	if format == "xlsx" {
		kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
	_, _ = io.WriteString(w, b.String()) // a browser that has gone away is told nothing
}
