package web

import (
	"cmp"
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/fields"
	"spoilbook/reports/register"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// revisePage is the form of a revision, and what it would change.
type revisePage struct {
	Kind, Key, Name string
	New             bool
	Seen            uint64 // position of the entry's last revision when the form was made; 0 where there is none
	Date, Clock     string // from when it holds
	Exact           string // the same to the millisecond, where it is that of another revision
	Note            string
	Fields          []fieldView
	Groups          []groupView
	Wrong, Do       string
	KeyWrong        string
	FromWrong       string
	Zone            string
	Preview         bool
	Changes         []change
	Overtaken       string // later revisions, which go on holding
	Foreseen        []foreseenView
	Left            int
	Hidden          []hiddenView
	Others          *revisionView // what somebody else recorded meanwhile
}

type hiddenView struct{ Name, Value string }

type fieldView struct {
	Name, Label, Unit, Kind, Value, Hint, Error string
	Options                                     []optionView
	Needed                                      bool
}

type optionView struct {
	Value, Text string
	Selected    bool
}

type groupView struct {
	Path, Label, Item string
	Heads             []string
	Rows              [][]fieldView
	Long              string // said where the list is too long for a page
	Hidden            []hiddenView
}

// foreseenView is a report that would differ.
type foreseenView struct {
	Title, Period, Issued string
	Lines, Findings       int
	Figures               []reports.Differing
	More                  int
}

const (
	maxReviseForm = 1 << 20
	blankItems    = 2
	moreItems     = 6
	maxItemRows   = 100 // of a list in a form
	shownFigures  = 12  // of a report that would differ
	unforeseen    = -1  // in place of a number: it took too long to see
	foresight     = 20 * time.Second
)

// typed is what somebody filled into a form of revision.
type typed struct {
	kind              events.Register
	key               string
	isNew             bool
	seen              uint64
	date, clock, note string
	exact             string
	values            map[string]string
	more              string
}

// readRevision reads the form.
func (s *site) readRevision(w http.ResponseWriter, r *http.Request) (typed, bool) {
	if !s.allowed(w, r, access.SubmitEvents, revising()) || !s.mayRead(w, r, r.PathValue("kind")) {
		return typed{}, false
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxReviseForm)
	if err := r.ParseForm(); err != nil {
		s.fail(w, r, ledger.Wrap(ledger.BadRequest, err, "the form can not be read"))
		return typed{}, false
	}
	t := typed{kind: events.Register(r.PathValue("kind")), key: strings.TrimSpace(r.PostFormValue("key")), isNew: r.PostFormValue("new") != "", date: r.PostFormValue("date"),
		clock: r.PostFormValue("clock"), note: strings.TrimSpace(r.PostFormValue("note")), exact: r.PostFormValue("exact"), more: r.PostFormValue("more"), values: map[string]string{}}
	seen, err := strconv.ParseUint(r.PostFormValue("seen"), 10, 64)
	if err != nil {
		s.fail(w, r, ledger.Fail(ledger.BadRequest, "the form is not whole: load the page again"))
		return t, false
	}
	t.seen = seen
	for name, list := range r.PostForm {
		if path, ok := strings.CutPrefix(name, "v."); ok {
			t.values[path] = strings.Join(list, ", ")
		}
	}
	return t, true
}

// from returns the time from which the revision holds.
func (t *typed) from(zone *time.Location) (events.Time, string) {
	day, err := time.Parse(time.DateOnly, t.date)
	if err != nil {
		return events.Time{}, "a day such as 2026-11-01"
	}
	if exact, err := events.ParseTime(t.exact); err == nil {
		if local := exact.Std().In(zone); local.Format(time.DateOnly) == t.date && local.Format("15:04") == t.clock {
			return exact, ""
		}
	}
	y, m, d := day.Date()
	if t.clock == "" || t.clock == "00:00" {
		return events.TimeOf(reports.StartOfDay(y, m, d, zone)), ""
	}
	minutes, ok := events.ClockMinutes(t.clock)
	at := time.Date(y, m, d, 0, minutes, 0, 0, zone)
	if !ok || at.Format("15:04") != t.clock {
		return events.Time{}, "a time such as 06:00, which there was on that day"
	}
	return events.TimeOf(at), ""
}

// revision returns what the form says, or what is wrong with it by field.
func (t *typed) revision(zone *time.Location, author string) (events.RegisterRevised, []events.FieldError) {
	rev := events.RegisterRevised{Key: t.key, Author: author, Note: t.note}
	schema := fields.Of(t.kind)
	d, wrong := schema.Document(t.values)
	from, problem := t.from(zone)
	if problem != "" {
		wrong = append(wrong, events.FieldError{Field: "effectiveFrom", Found: strconv.Quote(strings.TrimSpace(t.date + " " + t.clock)), Allowed: problem})
	}
	if wrong != nil {
		return rev, wrong
	}
	rev.EffectiveFrom, rev.Document = from, d
	c := &events.Check{}
	rev.Check(c)
	if err := c.Err(); err != nil {
		return rev, err.(*events.ValidationError).Fields
	}
	return rev, nil
}

func (s *site) reviseNew(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, access.SubmitEvents, revising()) || !s.mayRead(w, r, r.PathValue("kind")) {
		return
	}
	b, err := s.registerNow(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	t := typed{kind: events.Register(r.PathValue("kind")), isNew: true, date: s.Now().In(s.zone).Format(time.DateOnly), clock: "00:00", values: map[string]string{}}
	if schema := fields.Of(t.kind); schema.Register != "" {
		for _, f := range schema.Fields {
			if f.Path == "timeZone" {
				t.values[f.Path] = s.Zone
			}
		}
	}
	s.showRevise(w, r, http.StatusOK, b, &t, nil, revisePage{})
}

// reviseForm offers an entry as it reads now, or as it read before a revision that is to be undone.
func (s *site) reviseForm(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, access.SubmitEvents, revising()) || !s.mayRead(w, r, r.PathValue("kind")) {
		return
	}
	b, err := s.registerNow(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	t := typed{kind: events.Register(r.PathValue("kind")), key: r.PathValue("key"), date: s.Now().In(s.zone).Format(time.DateOnly), clock: "00:00"}
	history := b.History(t.kind, t.key)
	if len(history) == 0 {
		s.fail(w, r, ledger.Fail(ledger.NotFound, "the register %s has no entry %q", t.kind, t.key))
		return
	}
	reading := history[len(history)-1]
	if now, ok := b.At(t.kind, t.key, events.TimeOf(s.Now())); ok {
		reading = now
	}
	if undo := r.URL.Query().Get("undo"); undo != "" {
		if reading, err = t.undo(history, undo, s.zone, mannersOf(r)); err != nil {
			s.fail(w, r, err)
			return
		}
	}
	t.seen = lastOf(history)
	schema := fields.Of(t.kind)
	if t.values, err = schema.Values(reading.Document); err != nil {
		s.fail(w, r, err)
		return
	}
	s.showRevise(w, r, http.StatusOK, b, &t, nil, revisePage{})
}

// undo fills in the reading before a revision, from the same time on.
func (t *typed) undo(history []register.Revision, position string, zone *time.Location, m manners) (register.Revision, error) {
	for i, rev := range history {
		if strconv.FormatUint(rev.Position, 10) != position {
			continue
		}
		if i == 0 {
			return rev, ledger.Fail(ledger.BadRequest, "the first reading of an entry can not be undone: what was recorded under it needs it")
		}
		local := rev.From.Std().In(zone)
		t.date, t.clock, t.exact = local.Format(time.DateOnly), local.Format("15:04"), rev.From.String()
		t.note = m.Tongue.Say("undoes the revision at position %s", position)
		return history[i-1], nil
	}
	return register.Revision{}, ledger.Fail(ledger.NotFound, "the entry %s has no revision at position %s", t.key, position)
}

// lastOf returns the position of the revision that was recorded last.
func lastOf(history []register.Revision) uint64 {
	last := uint64(0)
	for _, rev := range history {
		last = max(last, rev.Position)
	}
	return last
}

// showRevise shows the form as it is filled in, with what is wrong at its field.
func (s *site) showRevise(w http.ResponseWriter, r *http.Request, status int, b *register.Book, t *typed, wrong []events.FieldError, page revisePage) {
	m := mannersOf(r)
	page.Kind, page.Key, page.New, page.Seen, page.Date, page.Clock, page.Exact, page.Note, page.Zone = string(t.kind), t.key, t.isNew, t.seen, t.date, t.clock, t.exact, t.note, s.Zone
	at := map[string]string{}
	for _, f := range wrong {
		text := m.Tongue.Say("found %s; allowed: %s", f.Found, f.Allowed)
		switch field := strings.TrimPrefix(f.Field, "document."); field {
		case "key":
			page.KeyWrong = text
		case "effectiveFrom":
			page.FromWrong = text
		default:
			at[field] = text
		}
	}
	f := formView{manners: m, book: b, at: events.TimeOf(s.Now()), wrong: at, values: t.values}
	if from, problem := t.from(s.zone); problem == "" {
		f.at = from
	}
	schema := fields.Of(t.kind)
	for i := range schema.Fields {
		page.Fields = append(page.Fields, f.field(&schema.Fields[i], schema.Fields[i].Path, false))
	}
	for i := range schema.Groups {
		page.Groups = append(page.Groups, f.group(&schema.Groups[i], t.more))
	}
	if len(wrong) > 0 && page.Wrong == "" {
		page.Wrong, page.Do = m.Tongue.Say("Some fields are not right"), m.Tongue.Say("correct what is named and try again")
		for _, one := range wrong {
			if !f.placed[strings.TrimPrefix(one.Field, "document.")] && one.Field != "key" && one.Field != "effectiveFrom" {
				page.Wrong += "; " + one.Field + ": " + m.Tongue.Say("found %s; allowed: %s", one.Found, one.Allowed)
			}
		}
	}
	title := "Revise an entry"
	if t.isNew {
		title = "A new entry"
	}
	if page.Preview {
		title = "Before the revision is recorded"
		for path, v := range t.values {
			page.Hidden = append(page.Hidden, hiddenView{"v." + path, v})
		}
	}
	s.show(w, r, status, "revise", title, page)
}

// revisePreview shows what a revision would change, or the form again with what is wrong.
func (s *site) revisePreview(w http.ResponseWriter, r *http.Request) {
	t, ok := s.readRevision(w, r)
	if !ok {
		return
	}
	b, err := s.registerNow(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if t.more != "" || r.PostFormValue("back") != "" {
		s.showRevise(w, r, http.StatusOK, b, &t, nil, revisePage{})
		return
	}
	rev, ok := s.judged(w, r, b, &t)
	if !ok {
		return
	}
	page := revisePage{Preview: true, Name: nameOf(rev.Document)}
	m := mannersOf(r)
	var before events.Document
	if old, ok := b.At(t.kind, t.key, rev.EffectiveFrom); ok {
		before = old.Document
	}
	page.Changes = m.changes(before, rev.Document)
	for _, later := range b.History(t.kind, t.key) {
		if rev.EffectiveFrom.Before(later.From) {
			page.Overtaken = m.moment(later.From.Std().In(s.zone))
			break
		}
	}
	if page.Foreseen, page.Left, err = s.foresee(r, []events.RegisterRevised{rev}); err != nil {
		s.fail(w, r, err)
		return
	}
	s.showRevise(w, r, http.StatusOK, b, &t, nil, page)
}

// judged returns the revision that a form says, where it is right and nobody else revised the entry meanwhile; otherwise it shows the form again.
func (s *site) judged(w http.ResponseWriter, r *http.Request, b *register.Book, t *typed) (events.RegisterRevised, bool) {
	m := mannersOf(r)
	history := b.History(t.kind, t.key)
	if last := lastOf(history); last != t.seen {
		page := revisePage{Wrong: m.Tongue.Say("Somebody else revised %s meanwhile", t.key), Do: m.Tongue.Say("look at what it says now; what you filled in still stands below, and is looked at against it when you go on")}
		for _, rev := range history {
			if rev.Position == last {
				page.Others = &revisionView{Position: rev.Position, From: rev.From, Author: rev.Author, Note: rev.Note, Changes: m.changes(beforeOf(history, last), rev.Document)}
			}
		}
		if t.isNew {
			page.Wrong, page.Do = m.Tongue.Say("There is an entry %s already", t.key), m.Tongue.Say("give another key, or revise the entry that there is")
		}
		if t.seen, t.isNew = last, false; page.Others == nil {
			t.isNew = true
		}
		s.showRevise(w, r, http.StatusConflict, b, t, nil, page)
		return events.RegisterRevised{}, false
	}
	rev, wrong := t.revision(s.zone, access.From(r.Context()).Author())
	if wrong == nil {
		wrong = s.Files.Verify([]events.RegisterRevised{rev}, b)
	}
	if wrong != nil {
		s.showRevise(w, r, http.StatusBadRequest, b, t, wrong, revisePage{})
		return rev, false
	}
	changed, err := s.Files.Changed([]events.RegisterRevised{rev}, b)
	if err == nil && len(changed) == 0 || err == nil && t.same(b, rev) {
		s.showRevise(w, r, http.StatusBadRequest, b, t, nil, revisePage{Wrong: m.Tongue.Say("The entry says all of this from then on already"), Do: m.Tongue.Say("change something, or leave it")})
		return rev, false
	}
	if err != nil {
		s.fail(w, r, err)
		return rev, false
	}
	return rev, true
}

// same reports whether the entry reads just so at that time already.
func (t *typed) same(b *register.Book, rev events.RegisterRevised) bool {
	old, ok := b.At(t.kind, t.key, rev.EffectiveFrom)
	return ok && len(manners{}.changes(old.Document, rev.Document)) == 0
}

// beforeOf returns the reading before the revision at a position.
func beforeOf(history []register.Revision, position uint64) events.Document {
	for i, rev := range history {
		if rev.Position == position && i > 0 {
			return history[i-1].Document
		}
	}
	return nil
}

// foresee says which reports of this month and the last, and which issued ones, revisions would change.
func (s *site) foresee(r *http.Request, revs []events.RegisterRevised) ([]foreseenView, int, error) {
	now := s.Now().In(s.zone)
	var periods []reports.Period
	for _, back := range []int{0, -1} {
		first := time.Date(now.Year(), now.Month()+time.Month(back), 1, 12, 0, 0, 0, s.zone)
		p, err := s.Ledger.PeriodOf(first.Format(time.DateOnly), first.AddDate(0, 1, -1).Format(time.DateOnly), s.zone.String())
		if err != nil {
			return nil, 0, err
		}
		periods = append(periods, p)
	}
	ctx, cancel := context.WithTimeout(r.Context(), foresight)
	defer cancel()
	list, left, err := s.Ledger.Foresee(ctx, revs, periods)
	if ctx.Err() != nil && r.Context().Err() == nil {
		return nil, unforeseen, nil
	}
	if err != nil {
		return nil, 0, err
	}
	m := mannersOf(r)
	var views []foreseenView
	for i := range list {
		f := &list[i]
		was, is := f.Was.Measured(m.Measures), f.Is.Measured(m.Measures)
		d := reports.Differ(&was, &is, f.Period)
		v := foreseenView{Title: m.Tongue.Say(titleOf(f.Report)), Period: f.Period.From.Std().In(f.Period.Zone).Format(time.DateOnly) + " – " + f.Period.To.Std().In(f.Period.Zone).AddDate(0, 0, -1).Format(time.DateOnly), Lines: d.Lines, Findings: d.Findings, Figures: d.Figures}
		if len(v.Figures) > shownFigures {
			v.More, v.Figures = len(v.Figures)-shownFigures, v.Figures[:shownFigures]
		}
		if f.Issued != nil {
			v.Issued = f.Issued.Number
		}
		views = append(views, v)
	}
	slices.SortStableFunc(views, func(a, b foreseenView) int { return cmp.Compare(min(len(b.Issued), 1), min(len(a.Issued), 1)) })
	return views, left, nil
}

// reviseRecord records a revision that was looked at.
func (s *site) reviseRecord(w http.ResponseWriter, r *http.Request) {
	t, ok := s.readRevision(w, r)
	if !ok {
		return
	}
	refused := false
	f, err := s.Ledger.Revise(r.Context(), func(known []events.Recorded, last uint64) ([]events.Event, error) {
		b := register.NewBook(known)
		rev, ok := s.judged(w, r, b, &t)
		if !ok {
			refused = true
			return nil, nil
		}
		return s.Files.RegisterEvents([]events.RegisterRevised{rev}, b, last+1, events.TimeOf(s.Now().In(s.zone)))
	})
	switch {
	case refused:
	case err != nil:
		s.fail(w, r, err)
	default:
		http.Redirect(w, r, "/register/"+string(t.kind)+"/"+url.PathEscape(t.key)+"?recorded="+strconv.FormatUint(f.Position, 10), http.StatusSeeOther)
	}
}
