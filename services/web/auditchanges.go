package web

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/changes"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// What a page of changes shows at most.
const (
	maxChangedLines    = 150
	maxChangedCells    = 8 // of a line that is new or gone
	maxCauses          = 100
	maxChangedFindings = 80
)

// changesPage is what became of a period's manifest and water since an earlier position.
type changesPage struct {
	audited
	Nav          []menuItem
	Since, UpTo  string // as they stand in the form
	SinceAt      string
	Asked        bool
	From64       uint64 // positions compared
	To64         uint64
	SinceTime    events.Time // when the event at the earlier position was recorded
	Reports      []changedReport
	Findings     []changedFinding
	Causes       []causeLine
	MoreCauses   int
	Between      uint64 // events in between
	Count        int
	MoreLines    int
	MoreFindings int
	Wrong, Do    string
}

type changedReport struct {
	Title  string
	Tables []changedTable
	Count  int
}

type changedTable struct {
	changes.Table
	ID string
}

type changedFinding struct {
	changes.FindingChange
	Severity reports.Severity
}

// causeLine is an event in between that is behind what changed.
type causeLine struct {
	Position   uint64
	Kind       string
	Truck, Job string
	Occurred   events.Time
	Recorded   events.Time
	Says       string
	Refers     uint64
}

func (s *site) auditChanges(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, auditing, access.Object{}) {
		return
	}
	a, err := s.auditedOf(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	q := r.URL.Query()
	page := changesPage{audited: a, Nav: auditNav(a, r), Since: strings.TrimSpace(q.Get("since")), SinceAt: strings.TrimSpace(q.Get("since-at")), UpTo: strings.TrimSpace(q.Get("at-position"))}
	status := http.StatusOK
	if page.Since != "" || page.SinceAt != "" {
		page.Asked = true
		if err = s.compare(r, &page, q); err != nil {
			outcome := ledger.OutcomeOf(ledger.CodeOf(err))
			if status = outcome.Status; status >= 500 {
				s.fail(w, r, err)
				return
			}
			page.Asked, page.Wrong, page.Do = false, err.Error(), mannersOf(r).Tongue.Say(outcome.Do)
		}
	}
	s.show(w, r, status, "audit-changes", "Changes", page)
}

// compare computes the same period at both positions.
func (s *site) compare(r *http.Request, page *changesPage, q url.Values) error {
	names := []string{"manifest", "water"}
	now, err := s.Ledger.Reports(r.Context(), names, page.Period, reports.Filter{}, page.Position)
	if err != nil {
		return err
	}
	j := now[0].Journal
	page.To64 = now[0].Position
	if page.From64, err = page.since(j, q); err != nil {
		return err
	}
	was, err := s.Ledger.Reports(r.Context(), names, page.Period, reports.Filter{}, page.From64)
	if err != nil {
		return err
	}
	page.Between = page.To64 - page.From64
	page.SinceTime = j.Recorded(page.From64).At
	m, causes, told, room := mannersOf(r), []uint64{}, map[string]bool{}, maxChangedLines
	for i := range names {
		before, after := m.Tongue.Document(was[i].Document.Measured(m.Measures)), m.Tongue.Document(now[i].Document.Measured(m.Measures))
		d := changes.Between(before, after, page.Period, page.From64, j)
		causes = reports.Union(causes, d.Causes())
		report := changedReport{Title: titleOf(names[i])}
		for _, t := range d.Tables {
			if len(t.Lines) == 0 {
				continue
			}
			report.Count += len(t.Lines)
			page.Count += len(t.Lines)
			shown, more := most(t.Lines, room)
			room, page.MoreLines = room-len(shown), page.MoreLines+more
			t.Lines = shown
			for k := range t.Lines {
				if t.Lines[k].Status != changes.Changed {
					t.Lines[k].Cells, _ = most(t.Lines[k].Cells, maxChangedCells)
				}
			}
			if len(shown) > 0 {
				report.Tables = append(report.Tables, changedTable{t, names[i] + "-" + strings.ReplaceAll(strings.ToLower(t.Name), " ", "-")})
			}
		}
		page.Reports = append(page.Reports, report)
		for _, f := range d.Findings { // what both reports found is told once
			if key := string(f.Status) + string(f.Finding.Code) + f.Finding.At.String() + f.Finding.What; !told[key] {
				told[key] = true
				page.Count++
				page.Findings = append(page.Findings, changedFinding{f, f.Finding.Severity})
			}
		}
	}
	shown, more := most(page.Findings, maxChangedFindings)
	page.Findings, page.MoreFindings = shown, more
	page.causes(j, causes)
	return nil
}

// since reads the earlier position, or the moment as of which the ledger is asked for.
func (p *changesPage) since(j *reports.Journal, q url.Values) (uint64, error) {
	since, err := positionIn(q, "since")
	if err != nil {
		return 0, err
	}
	if p.Since == "" {
		at, err := time.ParseInLocation("2006-01-02T15:04", p.SinceAt, p.Period.Zone)
		if err != nil {
			return 0, ledger.Fail(ledger.BadRequest, "the moment: found %q; allowed: a day and a time such as 2026-10-31T18:00", p.SinceAt)
		}
		since = changes.PositionAt(j, events.TimeOf(at))
		if since == 0 {
			return 0, ledger.Fail(ledger.BadRequest, "nothing was recorded by %s; choose a later moment", p.SinceAt)
		}
	}
	switch {
	case since == 0:
		return 0, ledger.Fail(ledger.BadRequest, "positions begin at 1")
	case since > j.Position:
		return 0, ledger.Fail(ledger.BadRequest, "position %d is after position %d, with which it is to be compared", since, j.Position)
	}
	return since, nil
}

func (p *changesPage) causes(j *reports.Journal, list []uint64) {
	list, p.MoreCauses = most(list, maxCauses)
	for _, position := range list {
		e := j.Recorded(position)
		line := causeLine{Position: position, Kind: string(e.Kind()), Truck: string(e.Truck), Job: string(e.Job), Occurred: e.Occurred, Recorded: e.At}
		switch b := e.Body.(type) {
		case events.EntryCorrected:
			line.Says = b.Author + ": " + b.Reason
			line.Refers, _ = j.PositionOf(b.Refers)
		case events.EntryVoided:
			line.Says = b.Author + ": " + b.Reason
			line.Refers, _ = j.PositionOf(b.Refers)
		case events.FindingAnswered:
			line.Says = b.Author + ": " + b.Answer
			line.Refers, _ = j.PositionOf(b.Refers)
		case events.DocketReceived:
			line.Says = b.Number
			line.Refers, _ = j.PositionOf(b.Tip)
		}
		p.Causes = append(p.Causes, line)
	}
}

// Text of a position, without the marks that languages put into large numbers.
func (p changesPage) Text(position uint64) string { return strconv.FormatUint(position, 10) }
