package web

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"io"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"spoilbook/events"
	"spoilbook/reports/cells"
	"spoilbook/reports/paper"
	"spoilbook/reports/register"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// Files reads and writes what people exchange with the pages as files.
type Files interface {
	WriteForm(ctx context.Context, w io.Writer, form *cells.Form) error
	// ReadWorkbook refuses what is no workbook, or a harmful one, with a *cells.Problems.
	ReadWorkbook(content []byte) (*cells.Workbook, error)
	RegisterFiles
}

const (
	maxUpload    = 4 << 20 // of a file that is handed in
	shownLines   = 250     // of a workbook that is looked at
	keptUploads  = 40      // that were looked at and not recorded yet
	keptFor      = 2 * time.Hour
	workbookType = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
)

// upload is a workbook or register that somebody handed in and looks at. It is gone when the program ends, and is handed in again then.
type upload struct {
	who, name string
	at        time.Time
	workbook  *cells.Workbook
	revisions []events.RegisterRevised
	done      string // what became of it
}

// uploads are those of all people, few at a time: the oldest makes room.
type uploads struct {
	mu   sync.Mutex
	list map[string]*upload
}

// keep remembers an upload under a name that nobody can guess.
func (u *uploads) keep(one *upload) string {
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.list == nil {
		u.list = map[string]*upload{}
	}
	for len(u.list) >= keptUploads {
		oldest := ""
		for token, other := range u.list {
			if oldest == "" || other.at.Before(u.list[oldest].at) {
				oldest = token
			}
		}
		delete(u.list, oldest)
	}
	token := rand.Text()
	u.list[token] = one
	return token
}

// find returns what somebody handed in.
func (u *uploads) find(token, who string, now time.Time) (*upload, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	one := u.list[token]
	if one == nil || one.who != who || now.Sub(one.at) > keptFor {
		return nil, ledger.Fail(ledger.NotFound, "what was handed in is no longer kept here; hand the file in again")
	}
	found := *one
	return &found, nil
}

// settle notes what became of an upload.
func (u *uploads) settle(token, done string) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if one := u.list[token]; one != nil {
		one.done = done
	}
}

func (s *site) paperRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /paper", s.paperPage)
	mux.HandleFunc("GET /paper/day.xlsx", s.dayForm)
	mux.HandleFunc("GET /paper/dockets.xlsx", s.docketForm)
	mux.HandleFunc("POST /paper", s.handIn)
	mux.HandleFunc("GET /paper/look", s.lookAtPaper)
	mux.HandleFunc("POST /paper/record", s.recordPaper)
}

// named is an entry of the register that can be chosen.
type named struct{ Key, Name string }

type paperPage struct {
	Trucks, Operators []named
	Date, Zone        string
	Wrong, Do         string
	Problems          []cells.Problem
	More              int
}

func (s *site) paperPage(w http.ResponseWriter, r *http.Request) {
	if s.allowed(w, r, access.SubmitEvents, access.Object{}) {
		s.showPaper(w, r, http.StatusOK, paperPage{})
	}
}

// showPaper shows the page with what was wrong with a file that was handed in.
func (s *site) showPaper(w http.ResponseWriter, r *http.Request, status int, page paperPage) {
	b, err := s.registerNow(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	who, now := access.From(r.Context()), s.Now()
	for _, key := range b.Keys(events.TruckRegister) {
		if d, ok := b.Truck(events.TruckID(key), events.TimeOf(now)); ok && who.Has(events.TruckID(key)) {
			page.Trucks = append(page.Trucks, named{key, d.Name})
		}
	}
	for _, key := range b.Keys(events.OperatorRegister) {
		if d, ok := b.Operator(events.OperatorID(key), events.TimeOf(now)); ok {
			page.Operators = append(page.Operators, named{key, d.Name})
		}
	}
	page.Date, page.Zone = now.In(s.zone).Format(time.DateOnly), s.Zone
	s.show(w, r, status, "paper", "Paper and spreadsheets", page)
}

// registerNow returns the register as it stands.
func (s *site) registerNow(ctx context.Context) (*register.Book, error) {
	list, err := s.Ledger.RegisterRevisions(ctx)
	return register.NewBook(list), err
}

func (s *site) dayForm(w http.ResponseWriter, r *http.Request) { s.sendForm(w, r, "day", paper.Day) }
func (s *site) docketForm(w http.ResponseWriter, r *http.Request) {
	s.sendForm(w, r, "dockets", paper.Dockets)
}

// sendForm sends an empty form, with what was asked for at its head.
func (s *site) sendForm(w http.ResponseWriter, r *http.Request, name string, form func(*register.Book, events.Time, paper.Prefill) *cells.Form) {
	if !s.allowed(w, r, access.SubmitEvents, access.Object{}) {
		return
	}
	q := r.URL.Query()
	p := paper.Prefill{Truck: events.TruckID(q.Get("truck")), Date: q.Get("date"), Operator: events.OperatorID(q.Get("driver")), Zone: s.Zone}
	at := s.Now().In(s.zone)
	if p.Date != "" {
		day, err := time.ParseInLocation(time.DateOnly, p.Date, s.zone)
		if err != nil {
			s.fail(w, r, ledger.Fail(ledger.BadRequest, "date: found %q; allowed: a day such as 2026-10-05", p.Date))
			return
		}
		at = day.Add(12 * time.Hour)
	}
	b, err := s.registerNow(r.Context())
	if err == nil && p.Truck != "" && !b.Known(events.TruckRegister, string(p.Truck)) {
		err = ledger.Fail(ledger.NotFound, "truck: the register has no %q", string(p.Truck))
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	file := name
	if p.Truck != "" {
		file += "-" + string(p.Truck)
	}
	if p.Date != "" {
		file += "-" + p.Date
	}
	s.sendWorkbook(w, r, file, form(b, events.TimeOf(at), p))
}

// sendWorkbook sends a form as a file to keep.
func (s *site) sendWorkbook(w http.ResponseWriter, r *http.Request, name string, form *cells.Form) {
	var b bytes.Buffer
	if err := s.Files.WriteForm(r.Context(), &b, form); err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Type", workbookType)
	w.Header().Set("Content-Disposition", `attachment; filename="`+name+`.xlsx"`)
	_, _ = w.Write(b.Bytes()) // a browser that has gone away is told nothing
}

// handedIn reads the file of a form.
func (s *site) handedIn(w http.ResponseWriter, r *http.Request, field string) (content []byte, name string, err error) {
	r.Body = http.MaxBytesReader(w, r.Body, maxUpload+64<<10)
	f, head, err := r.FormFile(field)
	var long *http.MaxBytesError
	switch {
	case errors.As(err, &long):
		return nil, "", ledger.Fail(ledger.TooLarge, "the file is larger than the %d bytes that are taken", maxUpload)
	case errors.Is(err, http.ErrMissingFile):
		return nil, "", ledger.Fail(ledger.BadRequest, "no file was chosen")
	case err != nil:
		return nil, "", ledger.Wrap(ledger.BadRequest, err, "the form can not be read")
	}
	defer f.Close()
	content, err = io.ReadAll(f)
	return content, head.Filename, ledger.Wrap(ledger.BadRequest, err, "the file can not be read")
}

func (s *site) handIn(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, access.SubmitEvents, access.Object{}) {
		return
	}
	content, name, err := s.handedIn(w, r, "workbook")
	var wb *cells.Workbook
	if err == nil {
		wb, err = s.Files.ReadWorkbook(content)
	}
	if err != nil {
		s.refusePaper(w, r, ledger.Wrap(ledger.BadRequest, err, "the file was not taken"))
		return
	}
	token := s.uploads.keep(&upload{who: access.From(r.Context()).Name, name: name, at: s.Now(), workbook: wb})
	http.Redirect(w, r, "/paper/look?sheet="+url.QueryEscape(token), http.StatusSeeOther)
}

// refusePaper shows the page with all that is wrong with a file.
func (s *site) refusePaper(w http.ResponseWriter, r *http.Request, err error) {
	outcome := ledger.OutcomeOf(ledger.CodeOf(err))
	if outcome.Status >= 500 {
		s.fail(w, r, err)
		return
	}
	page := paperPage{Do: mannersOf(r).Tongue.Say(outcome.Do)}
	page.Wrong, page.Problems, page.More = problemsOf(err)
	s.showPaper(w, r, outcome.Status, page)
}

// problemsOf parts an error into what happened and the problems behind it.
func problemsOf(err error) (wrong string, list []cells.Problem, more int) {
	var p *cells.Problems
	if !errors.As(err, &p) {
		return err.Error(), nil, 0
	}
	wrong = "the workbook can not be taken"
	if coded := (*ledger.Error)(nil); errors.As(err, &coded) {
		wrong = coded.What
	}
	return wrong, p.List, p.More
}

// lookPage is a workbook before it is recorded.
type lookPage struct {
	Name, Token, Digest, Reason string
	Groups                      []lookGroup
	New, Same, Changed          int
	Doubled                     int
	Gone                        []string
	GoneMore                    int
	Done, Wrong, Do             string
}

// lookGroup is lines that would fare alike.
type lookGroup struct {
	ID, Title, Note string
	Lines           []lookLine
	More            int
}

type lookLine struct {
	Line, Cell, Truck, Day, Says, Was string
	Twice                             []string
}

func (s *site) lookAtPaper(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, access.SubmitEvents, access.Object{}) {
		return
	}
	token := r.URL.Query().Get("sheet")
	one, err := s.uploads.find(token, access.From(r.Context()).Name, s.Now())
	if err != nil || one.workbook == nil {
		s.fail(w, r, cmp.Or(err, ledger.Fail(ledger.NotFound, "what was handed in is a register; hand a filled-in form in here")))
		return
	}
	s.showLook(w, r, http.StatusOK, one, lookPage{Token: token, Done: one.done})
}

// entryOf is what recording an upload means.
func (s *site) entryOf(r *http.Request, one *upload) ledger.PaperEntry {
	return ledger.PaperEntry{Workbook: one.workbook, Zone: s.Zone, Author: access.From(r.Context()).Author()}
}

// showLook makes the plan as the ledger stands now and shows it.
func (s *site) showLook(w http.ResponseWriter, r *http.Request, status int, one *upload, page lookPage) {
	plan, err := ledger.PlanPaper(r.Context(), s.Ledger, s.entryOf(r, one), s.Now())
	if err == nil {
		err = mayEnterAll(r, plan)
	}
	if err != nil {
		s.refusePaper(w, r, err)
		return
	}
	page.Name, page.Digest = one.name, plan.Digest
	page.New, page.Same, page.Changed, page.Doubled = plan.Count(ledger.PaperNew), plan.Count(ledger.PaperSame), plan.Count(ledger.PaperChanged), plan.Doubled()
	m := mannersOf(r)
	page.Groups = m.groups(plan)
	for i := range plan.Gone {
		if i == shownLines {
			page.GoneMore = len(plan.Gone) - i
			break
		}
		page.Gone = append(page.Gone, string(plan.Gone[i].Truck)+" "+m.tells(&plan.Gone[i].Event))
	}
	s.show(w, r, status, "look", "Before it is recorded", page)
}

// mayEnterAll asks for each event whether it may be entered by whoever looks.
func mayEnterAll(r *http.Request, plan *ledger.PaperPlan) error {
	who := access.From(r.Context())
	for _, e := range plan.Events() {
		if err := who.May(access.SubmitEvents, access.Object{Truck: e.Truck, Kind: e.Kind(), Source: e.Source}); err != nil {
			return err
		}
	}
	return nil
}

// tells says what an event says, in somebody's language and units and the event's own time.
func (m manners) tells(e *events.Event) string {
	t := paper.Teller{Say: m.Tongue.Say, Number: m.Tongue.Number, Measures: m.Measures, Zone: e.Occurred.Std().Location()}
	return t.Describe(e)
}

// groups sorts lines by what would become of them; what wants looking at comes first.
func (m manners) groups(plan *ledger.PaperPlan) []lookGroup {
	say := m.Tongue.Say
	list := []lookGroup{
		{ID: "doubled", Title: say("Recorded by others already, as it seems"), Note: say("Somebody else recorded the same kind of thing of this truck at this time.")},
		{ID: "voided", Title: say("Voided"), Note: say("These lines were recorded and voided since. Enter what happened under line numbers that were not used before.")},
		{ID: "changed", Title: say("Corrections"), Note: say("These lines say something else than what is recorded of them.")},
		{ID: "new", Title: say("New"), Note: say("These entries will be recorded as entered by the office.")},
		{ID: "same", Title: say("There already"), Note: say("These say what is recorded; nothing happens to them.")},
	}
	for i := range plan.Lines {
		l := &plan.Lines[i]
		g := map[ledger.PaperState]int{ledger.PaperVoided: 1, ledger.PaperChanged: 2, ledger.PaperNew: 3, ledger.PaperSame: 4}[l.State]
		if len(l.Twice) > 0 {
			g = 0
		}
		if len(list[g].Lines) == shownLines {
			list[g].More++
			continue
		}
		v := lookLine{Line: l.Label, Cell: l.Sheet + " " + l.Cell, Truck: string(l.Event.Truck), Day: m.day(l.Event.Occurred), Says: m.tells(&l.Event)}
		if l.State == ledger.PaperChanged {
			v.Was = m.tells(&l.Was.Event)
		}
		for k := range l.Twice {
			v.Twice = append(v.Twice, string(l.Twice[k].Source)+": "+m.tells(&l.Twice[k].Event))
		}
		list[g].Lines = append(list[g].Lines, v)
	}
	filled := list[:0]
	for _, g := range list {
		if len(g.Lines) > 0 {
			filled = append(filled, g)
		}
	}
	return filled
}

// day writes the day of an instant by its own clock.
func (m manners) day(t events.Time) string {
	if m.Tongue.Code() == "de" {
		return t.Std().Format("2.1.2006")
	}
	return t.Std().Format("2 Jan 2006")
}

func (s *site) recordPaper(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, access.SubmitEvents, access.Object{}) || !s.formRead(w, r) {
		return
	}
	token := r.PostFormValue("sheet")
	one, err := s.uploads.find(token, access.From(r.Context()).Name, s.Now())
	if err != nil || one.workbook == nil {
		s.fail(w, r, cmp.Or(err, ledger.Fail(ledger.NotFound, "what was handed in is a register; hand a filled-in form in here")))
		return
	}
	entry := s.entryOf(r, one)
	entry.Reason, entry.EvenSo, entry.Digest = strings.TrimSpace(r.PostFormValue("reason")), r.PostFormValue("even-so") != "", r.PostFormValue("digest")
	entry.VoidGone = r.PostFormValue("void-gone") != ""
	plan, err := ledger.PlanPaper(r.Context(), s.Ledger, entry, s.Now())
	if err == nil {
		err = mayEnterAll(r, plan)
	}
	var f ledger.Fates
	if err == nil {
		_, f, err = ledger.RecordPaper(r.Context(), s.Ledger, entry, s.Now())
	}
	m := mannersOf(r)
	if err != nil {
		outcome := ledger.OutcomeOf(ledger.CodeOf(err))
		if outcome.Status >= 500 {
			s.fail(w, r, err)
			return
		}
		s.showLook(w, r, outcome.Status, one, lookPage{Token: token, Reason: entry.Reason, Wrong: err.Error(), Do: m.Tongue.Say(outcome.Do)})
		return
	}
	s.uploads.settle(token, m.Tongue.Say("%d entries were recorded; the ledger stands at position %d.", f.Recorded, f.Position))
	http.Redirect(w, r, "/paper/look?sheet="+url.QueryEscape(token), http.StatusSeeOther)
}
