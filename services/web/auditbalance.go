package web

import (
	"net/http"
	"slices"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/consignments"
	"spoilbook/reports/flows"
	"spoilbook/reports/tank"
	"spoilbook/services/access"
)

// balancePage is what flowed through the tanks, as a picture and in numbers.
type balancePage struct {
	audited
	Nav         []menuItem
	AtPosition  uint64
	Measure     flows.Measure
	Truck, Job  string
	Trucks      []consignments.Choice
	Jobs        []consignments.Choice
	Picture     flows.Picture
	Nodes       []nodeView
	Alt         string
	Lines       []flowLine
	MoreLines   int
	In, Out     flows.Amount
	Sections    []balanceSection
	Unaccounted []unaccountedLine
	Dockets     []docketLine
	Empty       bool
	VolumeLink  string
	SolidsLink  string
}

// nodeView is a bar of the picture with its two lines of label.
type nodeView struct {
	flows.Node
	Name, Value string
	TextX       int64
	Anchor      string
	Class       string
}

// flowLine is a ribbon in numbers.
type flowLine struct {
	From, To string
	Class    string
	Amount   flows.Amount
	Cites    []uint64
}

// balanceSection is the balance by truck, job, end or month.
type balanceSection struct {
	ID, Title, Head string
	Rows            []balanceRow
	More            int
}

// balanceRow is one line of a balance: what came in and what went out are the same.
type balanceRow struct {
	Name, Path                                                                   string
	Sites, Water, Before, UnaccountedIn, Decanted, Tipped, After, UnaccountedOut flows.Amount
	Cites                                                                        []uint64
}

type unaccountedLine struct {
	flows.Unaccounted
	What string
}

type docketLine struct {
	flows.Docket
	Name string
}

// maxBalanceRows is how many lines a table of the balance has; maxFlowLines how many ribbons are listed.
const (
	maxBalanceRows = 40
	maxFlowLines   = 120
)

func (s *site) auditBalance(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, auditing, access.Object{}) {
		return
	}
	a, err := s.auditedOf(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	q := r.URL.Query()
	f := reports.Filter{Truck: events.TruckID(q.Get("truck")), Job: events.JobID(q.Get("job"))}
	whole, err := s.Ledger.Report(r.Context(), a.report("manifest", f)) // which refuses what nobody has heard of
	if err != nil {
		s.fail(w, r, err)
		return
	}
	a.Position = whole.Position
	report := flows.Compute(whole.Journal, reports.Request{Period: a.Period, Filter: f}, tank.Options{})
	page := balancePage{audited: a, Nav: auditNav(a, r), AtPosition: whole.Position, Measure: flows.Volume, Truck: string(f.Truck), Job: string(f.Job), Empty: len(report.Flows) == 0}
	if q.Get("of") == string(flows.Solids) {
		page.Measure = flows.Solids
	}
	page.VolumeLink, page.SolidsLink = page.link(f, a.From, a.To, flows.Volume), page.link(f, a.From, a.To, flows.Solids)
	page.choices(whole.Journal)
	page.draw(report, mannersOf(r))
	page.tables(report, mannersOf(r))
	s.show(w, r, http.StatusOK, "audit-balance", "Balance", page)
}

func (p *balancePage) link(f reports.Filter, from, to string, m flows.Measure) string {
	a := p.audited
	a.From, a.To = from, to
	q := a.query()
	for name, v := range map[string]string{"truck": string(f.Truck), "job": string(f.Job)} {
		if v != "" {
			q.Set(name, v)
		}
	}
	q.Set("of", string(m))
	return "/audit/balance?" + q.Encode()
}

func (p *balancePage) choices(j *reports.Journal) {
	for _, id := range j.Book.Keys(events.TruckRegister) {
		t, _ := j.Book.Truck(events.TruckID(id), p.Period.To)
		p.Trucks = append(p.Trucks, consignments.Choice{Value: id, Name: id + " " + t.Name})
	}
	for _, id := range j.Book.Keys(events.JobRegister) {
		job, _ := j.Book.Job(events.JobID(id), p.Period.To)
		p.Jobs = append(p.Jobs, consignments.Choice{Value: id, Name: id + " " + job.Name})
	}
}

// endName says what people call an end of a flow.
func endName(report *flows.Report, m manners, kind flows.Kind, id string, others int) string {
	say := m.Tongue.Say
	if others > 0 {
		switch kind {
		case "":
			return say("%d other trucks", others)
		case flows.Site:
			return say("%d other sites", others)
		case flows.Outfall:
			return say("%d other outfalls", others)
		}
		return say("%d other facilities", others)
	}
	switch kind {
	case "":
		return id
	case flows.Jetting:
		return say("Jetting water")
	case flows.WashedIn:
		return say("Wash water let in")
	case flows.HeldBefore:
		return say("In the tanks before")
	case flows.HeldAfter:
		return say("In the tanks after")
	case flows.UnaccountedIn:
		return say("Unaccounted: from nowhere known")
	case flows.UnaccountedOut:
		return say("Unaccounted: gone, nobody knows where")
	case flows.Rounding:
		return say("Rounding of volumes")
	case flows.GivenBack:
		return say("Given back by %s", report.Name(kind, id))
	case flows.Outfall:
		if id == "" {
			return say("an outfall that is not named")
		}
	case flows.Site:
		if id == "" {
			return say("a site that is not named")
		}
	}
	return report.Name(kind, id)
}

// classOf is how an end is drawn: what is unaccounted for by a pattern of its own.
func classOf(k flows.Kind) string {
	switch k {
	case "":
		return "tank"
	case flows.Jetting, flows.WashedIn, flows.Outfall:
		return "water"
	case flows.HeldBefore, flows.HeldAfter, flows.Rounding:
		return "held"
	case flows.UnaccountedIn, flows.UnaccountedOut:
		return "unaccounted"
	}
	return "soil"
}

func (p *balancePage) shown(v int64, m manners) string {
	if p.Measure == flows.Solids {
		return m.Tongue.Number(reports.ShownIn(m.Measures.Mass, v))
	}
	return m.Tongue.Number(reports.ShownIn(m.Measures.Spoil, v))
}

func (p *balancePage) draw(report *flows.Report, m manners) {
	p.Picture = flows.Draw(report.Flows, p.Measure)
	names := make([]string, len(p.Picture.Nodes))
	for i, n := range p.Picture.Nodes {
		names[i] = endName(report, m, n.Kind, n.ID, n.Others)
		v := nodeView{Node: n, Name: cut(names[i], 40), Value: p.shown(n.Value, m), TextX: n.X + n.W + 8, Anchor: "start", Class: classOf(n.Kind)}
		if n.Kind == flows.Rounding {
			v.Value = m.Tongue.Say("%d mL", n.Value)
		}
		switch n.Kind {
		case flows.Outfall, flows.Facility, flows.HeldAfter, flows.UnaccountedOut:
		case "":
			v.TextX, v.Anchor = n.X+n.W/2, "middle"
		case flows.Rounding:
			if n.X < p.Picture.Width/2 {
				v.TextX, v.Anchor = n.X-8, "end"
			}
		default:
			v.TextX, v.Anchor = n.X-8, "end"
		}
		p.Nodes = append(p.Nodes, v)
	}
	for _, r := range p.Picture.Ribbons {
		p.Lines = append(p.Lines, flowLine{From: names[r.From], To: names[r.To], Class: classOf(r.Kind), Amount: r.Amount, Cites: r.Cites})
	}
	p.Lines, p.MoreLines = most(p.Lines, maxFlowLines)
	p.In = flows.Sum(report.Flows, func(f *flows.Flow) bool { return f.In })
	p.Out = flows.Sum(report.Flows, func(f *flows.Flow) bool { return !f.In })
	p.Alt = m.Tongue.Say("%s flowed into the tanks and as much out of them or stayed; the table below has every flow.", p.shown(p.Picture.In, m))
}

// cut shortens a text that a label has no room for; the table has all of it.
func cut(text string, most int) string {
	letters := []rune(text)
	if len(letters) <= most {
		return text
	}
	return string(letters[:most-1]) + "…"
}

// tables adds the same flows by truck, job, end and month.
func (p *balancePage) tables(report *flows.Report, m manners) {
	f := reports.Filter{Truck: events.TruckID(p.Truck), Job: events.JobID(p.Job)}
	by := func(id, title, head string, key func(*flows.Flow) string, name func(string) string, path func(string) string) {
		rows, at := []balanceRow{}, map[string]int{}
		for i := range report.Flows {
			x := &report.Flows[i]
			k := key(x)
			if _, seen := at[k]; !seen {
				at[k] = len(rows)
				rows = append(rows, balanceRow{Name: name(k), Path: path(k)})
			}
			rows[at[k]].add(x)
		}
		slices.SortFunc(rows, func(a, b balanceRow) int {
			if a.Name < b.Name {
				return -1
			}
			return 1
		})
		section := balanceSection{ID: id, Title: m.Tongue.Say(title), Head: m.Tongue.Say(head)}
		section.Rows, section.More = most(rows, maxBalanceRows)
		p.Sections = append(p.Sections, section)
	}
	by("by-truck", "By truck", "Truck", func(x *flows.Flow) string { return string(x.Truck) }, func(k string) string { return k },
		func(k string) string {
			return p.link(reports.Filter{Truck: events.TruckID(k), Job: f.Job}, p.From, p.To, p.Measure)
		})
	by("by-job", "By job", "Job", func(x *flows.Flow) string { return string(x.Job) }, func(k string) string {
		if k == "" {
			return m.Tongue.Say("nobody's")
		}
		return report.Name(flows.Site, k)
	}, func(k string) string {
		if k == "" {
			return ""
		}
		return p.link(reports.Filter{Truck: f.Truck, Job: events.JobID(k)}, p.From, p.To, p.Measure)
	})
	p.byMonth(report, m, f)
	for _, u := range report.Unaccounted {
		p.Unaccounted = append(p.Unaccounted, unaccountedLine{u, m.Tongue.Say(u.By)})
	}
	for _, d := range report.Dockets {
		p.Dockets = append(p.Dockets, docketLine{d, report.Name(flows.Facility, string(d.Facility))})
	}
}

func (p *balancePage) byMonth(report *flows.Report, m manners, f reports.Filter) {
	section := balanceSection{ID: "by-month", Title: m.Tongue.Say("By month"), Head: m.Tongue.Say("Month")}
	for _, month := range report.Months {
		row := balanceRow{Name: month.Name}
		for i := range month.Flows {
			row.add(&month.Flows[i])
		}
		section.Rows = append(section.Rows, row)
	}
	for i := range section.Rows {
		from := max(p.From, section.Rows[i].Name+"-01")
		to := p.To
		if i+1 < len(section.Rows) {
			to = dayBefore(section.Rows[i+1].Name + "-01")
		}
		section.Rows[i].Path = p.link(f, from, to, p.Measure)
	}
	section.Rows, section.More = most(section.Rows, maxBalanceRows)
	p.Sections = append(p.Sections, section)
}

func (row *balanceRow) add(f *flows.Flow) {
	to := map[flows.Kind]*flows.Amount{flows.Site: &row.Sites, flows.GivenBack: &row.Sites, flows.Jetting: &row.Water, flows.WashedIn: &row.Water, flows.HeldBefore: &row.Before,
		flows.UnaccountedIn: &row.UnaccountedIn, flows.Outfall: &row.Decanted, flows.Facility: &row.Tipped, flows.HeldAfter: &row.After, flows.UnaccountedOut: &row.UnaccountedOut}[f.Kind]
	if to == nil {
		return // rounding, which the difference of the volumes shows
	}
	*to = to.Plus(f.Amount)
	row.Cites = reports.Union(row.Cites, f.Cites)
}

// In is what came into the tanks or was there.
func (row balanceRow) In() flows.Amount {
	return row.Sites.Plus(row.Water).Plus(row.Before).Plus(row.UnaccountedIn)
}

// Out is what left them or stayed.
func (row balanceRow) Out() flows.Amount {
	return row.Decanted.Plus(row.Tipped).Plus(row.After).Plus(row.UnaccountedOut)
}

// dayBefore returns the date before a date.
func dayBefore(date string) string {
	t, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return date
	}
	return t.AddDate(0, 0, -1).Format(time.DateOnly)
}
