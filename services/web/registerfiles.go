package web

import (
	"archive/zip"
	"bytes"
	"errors"
	"io"
	"maps"
	"net/http"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports/cells"
	"spoilbook/reports/register"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// readable returns the revisions of the registers that somebody may read.
func (s *site) readable(r *http.Request) ([]events.RegisterRevised, error) {
	b, err := s.registerNow(r.Context())
	if err != nil {
		return nil, err
	}
	who := access.From(r.Context())
	return slices.DeleteFunc(s.Files.Standing(b), func(rev events.RegisterRevised) bool { return !who.MaySee("", rev.Document.Register()) }), nil
}

func (s *site) registerWorkbook(w http.ResponseWriter, r *http.Request) {
	if !s.mayRead(w, r, "") {
		return
	}
	revs, err := s.readable(r)
	var form *cells.Form
	if err == nil {
		form, err = s.Files.RegisterForm(revs)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.sendWorkbook(w, r, "register", form)
}

func (s *site) registerYAML(w http.ResponseWriter, r *http.Request) {
	kind := r.PathValue("kind")
	if !s.mayRead(w, r, kind) {
		return
	}
	revs, err := s.readable(r)
	var files map[string][]byte
	if err == nil {
		files, err = s.Files.RegisterText(revs)
	}
	text, there := files[kind+".yaml"]
	if err == nil && !there {
		err = ledger.Fail(ledger.NotFound, "the register %s has no entry yet", kind)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "application/yaml")
	w.Header().Set("Content-Disposition", `attachment; filename="`+kind+`.yaml"`)
	_, _ = w.Write(text) // a browser that has gone away is told nothing
}

func (s *site) registerZip(w http.ResponseWriter, r *http.Request) {
	if !s.mayRead(w, r, "") {
		return
	}
	revs, err := s.readable(r)
	var files map[string][]byte
	if err == nil {
		files, err = s.Files.RegisterText(revs)
	}
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		var out io.Writer
		if err == nil {
			out, err = z.Create(name)
		}
		if err == nil {
			_, err = out.Write(files[name])
		}
	}
	if err = errors.Join(err, z.Close()); err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "application/zip")
	w.Header().Set("Content-Disposition", `attachment; filename="register.zip"`)
	_, _ = w.Write(b.Bytes()) // a browser that has gone away is told nothing
}

const maxRegisterFiles = 60 // handed in at once

// handRegisterIn takes a workbook or YAML files, and leads to what they would change.
func (s *site) handRegisterIn(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, access.SubmitEvents, revising()) {
		return
	}
	files, err := s.handedFiles(w, r)
	var revs []events.RegisterRevised
	if err == nil {
		revs, err = s.readRegister(r, files)
	}
	if err != nil {
		s.refuseRegister(w, r, err)
		return
	}
	names := strings.Join(slices.Sorted(maps.Keys(files)), ", ")
	token := s.uploads.keep(&upload{who: access.From(r.Context()).Name, name: names, at: s.Now(), revisions: revs})
	http.Redirect(w, r, "/register/-look?file="+url.QueryEscape(token), http.StatusSeeOther)
}

func (s *site) handedFiles(w http.ResponseWriter, r *http.Request) (map[string][]byte, error) {
	r.Body = http.MaxBytesReader(w, r.Body, 2*maxUpload)
	var long *http.MaxBytesError
	if err := r.ParseMultipartForm(maxUpload); errors.As(err, &long) {
		return nil, ledger.Fail(ledger.TooLarge, "the files are larger than the %d bytes that are taken", 2*maxUpload)
	} else if err != nil {
		return nil, ledger.Wrap(ledger.BadRequest, err, "the form can not be read")
	}
	heads := r.MultipartForm.File["files"]
	switch {
	case len(heads) == 0:
		return nil, ledger.Fail(ledger.BadRequest, "no file was chosen")
	case len(heads) > maxRegisterFiles:
		return nil, ledger.Fail(ledger.TooLarge, "%d files at once, at most %d are taken", len(heads), maxRegisterFiles)
	}
	files := map[string][]byte{}
	for _, h := range heads {
		name := path.Base(strings.ReplaceAll(h.Filename, "\\", "/"))
		if _, twice := files[name]; twice {
			return nil, ledger.Fail(ledger.BadRequest, "two files are called %s", name)
		}
		f, err := h.Open()
		if err != nil {
			return nil, ledger.Wrap(ledger.BadRequest, err, "the file %s can not be read", name)
		}
		content, err := io.ReadAll(f)
		if err = errors.Join(err, f.Close()); err != nil {
			return nil, ledger.Wrap(ledger.BadRequest, err, "the file %s can not be read", name)
		}
		files[name] = content
	}
	return files, nil
}

// readRegister reads one workbook, or files of text.
func (s *site) readRegister(r *http.Request, files map[string][]byte) ([]events.RegisterRevised, error) {
	b, err := s.registerNow(r.Context())
	if err != nil {
		return nil, err
	}
	for name, content := range files {
		if !strings.HasSuffix(strings.ToLower(name), ".xlsx") {
			continue
		}
		if len(files) > 1 {
			return nil, ledger.Fail(ledger.BadRequest, "hand in one workbook, or YAML files, and not both")
		}
		wb, err := s.Files.ReadWorkbook(content)
		var revs []events.RegisterRevised
		if err == nil {
			revs, err = s.Files.ReadRegisterWorkbook(wb, b, access.From(r.Context()).Author(), s.zone)
		}
		return revs, ledger.Wrap(ledger.BadRequest, err, "the workbook can not be taken")
	}
	revs, err := s.Files.ReadRegisterText(files, b)
	return revs, ledger.Wrap(ledger.BadRequest, err, "the register files can not be taken")
}

func (s *site) refuseRegister(w http.ResponseWriter, r *http.Request, err error) {
	outcome := ledger.OutcomeOf(ledger.CodeOf(err))
	if outcome.Status >= 500 {
		s.fail(w, r, err)
		return
	}
	page := registerPage{Do: mannersOf(r).Tongue.Say(outcome.Do)}
	var p *cells.Problems
	if errors.As(err, &p) {
		page.Wrong, page.Problems, page.More = problemsOf(err)
	} else {
		// Register files tell one problem a line.
		lines := strings.Split(err.Error(), "\n")
		page.Wrong = lines[0]
		if coded := (*ledger.Error)(nil); errors.As(err, &coded) && coded.Cause != nil {
			page.Wrong, page.TextProblems = coded.What, strings.Split(coded.Cause.Error(), "\n")
		}
	}
	s.showRegister(w, r, outcome.Status, page)
}

// loadPage is a register that was handed in, before it is recorded.
type loadPage struct {
	Name, Token string
	Read        int
	Entries     []loadEntry
	More        int
	Foreseen    []foreseenView
	Left        int
	Seen        uint64
	Done        string
	Wrong, Do   string
	Zone        *time.Location
}

type loadEntry struct {
	Kind, Key, Name string
	From            events.Time
	New             bool
	Changes         []change
}

const (
	shownLoads   = 120 // entries of a register that was handed in
	shownChanges = 30  // of one of them
)

func (s *site) lookAtRegister(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, access.SubmitEvents, revising()) {
		return
	}
	token := r.URL.Query().Get("file")
	one, err := s.uploads.find(token, access.From(r.Context()).Name, s.Now())
	if err == nil && one.workbook != nil {
		err = ledger.Fail(ledger.NotFound, "what was handed in is a form and no register")
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.showLoad(w, r, http.StatusOK, one, loadPage{Token: token, Done: one.done})
}

func (s *site) showLoad(w http.ResponseWriter, r *http.Request, status int, one *upload, page loadPage) {
	list, err := s.Ledger.RegisterRevisions(r.Context())
	b := register.NewBook(list)
	var changed []events.RegisterRevised
	if err == nil {
		changed, err = s.Files.Changed(one.revisions, b)
	}
	if err == nil {
		page.Foreseen, page.Left, err = s.foresee(r, changed)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	m := mannersOf(r)
	page.Name, page.Read, page.Seen, page.Zone = one.name, len(one.revisions), b.Position(), s.zone
	for i, rev := range changed {
		if i == shownLoads {
			page.More = len(changed) - i
			break
		}
		kind := rev.Document.Register()
		v := loadEntry{Kind: m.kindName(kind), Key: rev.Key, Name: nameOf(rev.Document), From: rev.EffectiveFrom, New: !b.Known(kind, rev.Key)}
		var before events.Document
		if old, ok := b.At(kind, rev.Key, rev.EffectiveFrom); ok {
			before = old.Document
		}
		v.Changes = m.changes(before, rev.Document)
		v.Changes = v.Changes[:min(len(v.Changes), shownChanges)]
		page.Entries = append(page.Entries, v)
	}
	s.show(w, r, status, "load", "Before the register is recorded", page)
}

func (s *site) loadRegister(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, access.SubmitEvents, revising()) || !s.formRead(w, r) {
		return
	}
	token := r.PostFormValue("file")
	one, err := s.uploads.find(token, access.From(r.Context()).Name, s.Now())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	m := mannersOf(r)
	recorded := 0
	f, err := s.Ledger.Revise(r.Context(), func(known []events.Recorded, last uint64) ([]events.Event, error) {
		b := register.NewBook(known)
		if seen := r.PostFormValue("seen"); seen != strconv.FormatUint(b.Position(), 10) {
			return nil, ledger.Fail(ledger.Conflict, "somebody else revised the register since you looked")
		}
		changed, err := s.Files.Changed(one.revisions, b)
		if err != nil {
			return nil, err
		}
		recorded = len(changed)
		return s.Files.RegisterEvents(changed, b, last+1, events.TimeOf(s.Now().In(s.zone)))
	})
	if err != nil {
		outcome := ledger.OutcomeOf(ledger.CodeOf(err))
		if outcome.Status >= 500 {
			s.fail(w, r, err)
			return
		}
		s.showLoad(w, r, outcome.Status, one, loadPage{Token: token, Wrong: err.Error(), Do: m.Tongue.Say(outcome.Do)})
		return
	}
	s.uploads.settle(token, m.Tongue.Say("%d revisions were recorded; the ledger stands at position %d.", recorded, f.Position))
	http.Redirect(w, r, "/register/-look?file="+url.QueryEscape(token), http.StatusSeeOther)
}
