package web

import (
	"encoding/hex"
	"encoding/json"
	"net/http"
	"slices"
	"strconv"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/manifest"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// What the sheet of a consignment has room for; the register's workbook has the rest.
const (
	sheetParcels  = 7
	sheetDecants  = 4
	sheetFindings = 5
)

// sheetPage is one consignment as a sheet of paper.
type sheetPage struct {
	audited
	*manifest.Consignment
	AtPosition   uint64
	Root         string
	Back         string
	Lines        string // the page that explains it step by step
	Chain        manifest.Chain
	Parcels      []parcelLine
	MoreParcels  int
	Drained      []manifest.Drained
	MoreDrained  int
	DrainedML    int64
	Permits      []permitLine
	Materials    []materialLine
	Answers      []manifest.Answer
	Profiles     []manifest.Profile
	ProfileTitle string
	Findings     []reports.Finding
	MoreFindings int
	Rests        []uint64
	Jobs         int
}

type parcelLine struct {
	manifest.Parcel
	Site, Client string
	SharePPM     int64
}

// permitLine is what the register said of the facility when the consignment was tipped.
type permitLine struct {
	Permit, From, To string
	Class            events.FacilityClass
	Accepts          bool
	Code             string
	Position         uint64
}

type materialLine struct {
	events.Material
	ID       events.MaterialID
	Position uint64 // of the register's entry
	Since    events.Time
	By       string // who entered it
}

// auditConsignment shows one consignment with its chain. Without a period it is looked for in the whole ledger.
func (s *site) auditConsignment(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, auditing, access.Object{}) {
		return
	}
	if q := r.URL.Query(); q.Get("from") == "" && q.Get("to") == "" {
		q.Set("from", "2000-01-01")
		q.Set("to", s.Now().In(s.zone).AddDate(0, 0, 1).Format(time.DateOnly))
		r.URL.RawQuery = q.Encode()
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
	number := r.PathValue("number")
	i := slices.IndexFunc(m.Consignments, func(c manifest.Consignment) bool { return c.Key == number })
	if i < 0 {
		s.fail(w, r, ledger.Fail(ledger.NotFound, "no consignment %q was tipped from %s to %s, as the ledger stood at position %d", number, a.From, a.To, whole.Position))
		return
	}
	a.Position = whole.Position
	page := sheetOf(a, whole, m, &m.Consignments[i])
	page.Lines = "/reports/manifest/line?" + a.Query() + "&table=Consignments&line=" + page.Key
	s.show(w, r, http.StatusOK, "audit-consignment", "Consignment", page)
}

func sheetOf(a audited, whole *ledger.Report, m *manifest.Report, c *manifest.Consignment) sheetPage {
	p := sheetPage{audited: a, Consignment: c, AtPosition: whole.Position, Root: whole.Root, Back: "/audit/consignments?" + a.Query(), Chain: c.Chain(),
		Profiles: manifest.Profiles(), ProfileTitle: m.Profile.Title(), Answers: manifest.Answers(manifest.Options{Profile: m.Profile}, c), Rests: c.Rests()}
	book := whole.Journal.Book
	jobs := map[events.JobID]bool{}
	for _, x := range p.Chain.Parcels {
		line := parcelLine{Parcel: x}
		if jobs[x.Job] = true; c.Amount.MassG() > 0 {
			line.SharePPM = reports.MulDiv(x.Given.MassG(), 1_000_000, c.Amount.MassG())
		}
		if job, ok := book.Job(x.Job, c.Tipped()); ok {
			line.Site = job.SiteAddress
			if client, ok := book.Client(job.Client, c.Tipped()); ok {
				line.Client = client.Name
			}
		}
		p.Parcels = append(p.Parcels, line)
	}
	p.Jobs = len(jobs)
	p.Parcels, p.MoreParcels = most(p.Parcels, sheetParcels)
	for _, d := range p.Chain.Drained {
		p.DrainedML += d.VolumeML
	}
	p.Drained, p.MoreDrained = most(p.Chain.Drained, sheetDecants)
	p.Findings, p.MoreFindings = most(reports.BySeverity(m.Found(c, whole.Document.Findings)), sheetFindings)
	p.registered(whole)
	return p
}

// most returns the first of a list, at most n, and how many more there are.
func most[T any](list []T, n int) ([]T, int) {
	if len(list) <= n {
		return list, 0
	}
	return list[:n], len(list) - n
}

// registered adds what the register said of the materials and of the facility when the consignment was tipped, with the position of each entry.
func (p *sheetPage) registered(whole *ledger.Report) {
	book, at := whole.Journal.Book, p.Tipped()
	permit, known := book.At(events.FacilityRegister, string(p.Facility), at)
	seen := map[events.MaterialID]bool{}
	for i := range p.Parts {
		part := &p.Parts[i]
		if part.Material == "" || seen[part.Material] {
			continue
		}
		seen[part.Material] = true
		line := materialLine{Material: part.Spoil, ID: part.Material}
		if r, ok := book.At(events.MaterialRegister, string(part.Material), at); ok {
			line.Position, line.Since, line.By = r.Position, r.From, r.Author
		}
		p.Materials = append(p.Materials, line)
		if known && part.Spoil.WasteCode != "" {
			p.Permits = append(p.Permits, permitLine{Permit: p.Receiver.Permit, From: p.Receiver.PermitFrom, To: p.Receiver.PermitTo, Class: p.Receiver.Class,
				Accepts: manifest.Accepts(p.Receiver, part.Spoil.WasteCode), Code: part.Spoil.WasteCode, Position: permit.Position})
		}
	}
}

// eventPage is one event as it was recorded.
type eventPage struct {
	Nav        []menuItem
	Position   string
	Kind       string
	Source     string
	ID         string
	Truck, Job string
	Operator   string
	Occurred   events.Time
	Recorded   time.Time
	Zone       *time.Location
	Body       string
	Hash       string
	Changed    []uint64 // what corrected or voided it since
}

// auditEvent shows the event behind a ledger position, with what changed it since.
func (s *site) auditEvent(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, auditing, access.Object{}) {
		return
	}
	n, err := strconv.ParseUint(r.PathValue("position"), 10, 64)
	if err != nil {
		s.fail(w, r, ledger.Fail(ledger.BadRequest, "position: found %q; allowed: a whole number", r.PathValue("position")))
		return
	}
	e, err := s.Ledger.Event(r.Context(), n)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var register events.Register
	if b, ok := e.Event.Body.(events.RegisterRevised); ok && b.Document != nil {
		register = b.Document.Register()
	}
	who := access.From(r.Context())
	if !who.MaySee(e.Truck, register) {
		s.fail(w, r, ledger.Fail(ledger.NotAllowed, "the role %s does not include prices, so not this entry of the register", who.Role))
		return
	}
	body, err := shownBody(e.Body, who.May(access.RunReport, access.Object{Report: "billable"}) == nil)
	if err != nil {
		s.fail(w, r, ledger.Wrap(ledger.Internal, err, "event at position %d", n))
		return
	}
	changed, err := s.changesOf(r, &e)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.show(w, r, http.StatusOK, "audit-event", "Event", eventPage{Nav: auditNav(audited{}, r), Position: strconv.FormatUint(n, 10), Kind: string(e.Kind), Source: string(e.Source), ID: e.ID, Truck: string(e.Truck), Job: string(e.Job),
		Operator: string(e.Operator), Occurred: e.Occurred, Recorded: e.Recorded, Zone: s.zone, Body: body, Hash: hex.EncodeToString(e.Hash[:]), Changed: changed})
}

// shownBody writes an event for people, without prices for who may not see them.
func shownBody(body []byte, prices bool) (string, error) {
	var v any
	if err := json.Unmarshal(body, &v); err != nil {
		return "", err
	}
	if !prices {
		withoutPrices(v)
	}
	text, err := json.MarshalIndent(v, "", "  ")
	return string(text), err
}

// withoutPrices takes the gate fee of a facility out of an event.
func withoutPrices(v any) {
	switch x := v.(type) {
	case map[string]any:
		delete(x, "gateFeePerTonne")
		for _, inner := range x {
			withoutPrices(inner)
		}
	case []any:
		for _, inner := range x {
			withoutPrices(inner)
		}
	}
}

// changesOf lists the positions of what corrected or voided an event.
func (s *site) changesOf(r *http.Request, e *ledger.Stored) ([]uint64, error) {
	var list []uint64
	for _, kind := range []events.Kind{events.KindEntryCorrected, events.KindEntryVoided} {
		after := e.Position
		for {
			page, err := s.Ledger.Events(r.Context(), ledger.EventQuery{After: after, Kind: kind, Limit: ledger.MaxPage})
			if err != nil {
				return nil, err
			}
			for i := range page {
				if refersTo(page[i].Event.Body) == e.Event.Ref() {
					list = append(list, page[i].Position)
				}
			}
			if len(page) < ledger.MaxPage {
				break
			}
			after = page[len(page)-1].Position
		}
	}
	slices.Sort(list)
	return list, nil
}

// refersTo returns the event that another corrects or voids.
func refersTo(b events.Body) events.Ref {
	switch b := b.(type) {
	case events.EntryCorrected:
		return b.Refers
	case events.EntryVoided:
		return b.Refers
	}
	return events.Ref{}
}
