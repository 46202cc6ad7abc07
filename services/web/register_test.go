package web_test

import (
	"archive/zip"
	"bytes"
	"io"
	"net/url"
	"testing"

	"github.com/xuri/excelize/v2"

	"spoilbook/events"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// fieldsOf returns the fields of a form of revision, as a browser sends them.
func fieldsOf(t *testing.T, text string) url.Values {
	t.Helper()
	return formIn(t, text, `class="revise"`)
}

func registerIsRevised(t *testing.T, r *rig) {
	v := r.visitor()
	_, err := r.ledger.Issue(t.Context(), october2026(t, r, "billable"), "INV-7", "Yard office", noExport)
	r.must(err)
	wants(t, v.read("/register", 200), "Trucks", "3 entries", "Rate cards", "Hand it in")
	wants(t, v.read("/register/rate-card", 200), "RC-STD", "A new entry")
	wants(t, v.read("/register/rate-card/RC-STD", 200), "As it reads now", "154.00", "Revise it", "Undo this revision", "The first reading")
	form := fieldsOf(t, v.read("/register/rate-card/RC-STD/revise", 200))
	form.Set("date", "2026-10-20")
	form.Set("note", "diesel")
	form.Set("v.rates.2.hourlyRate", "170,50")
	look := v.send("/register/rate-card/-preview", form, 200)
	wants(t, look, "Before the revision is recorded", "154.00", "170.50", "Billable hours, 2026-10-01 – 2026-10-31", "issued as INV-7", "With the revision", "lines differ")
	lacks(t, look, "Water, 2026", "Spoil manifest, 2026")
	stale := hidden(look)
	done := v.send("/register/rate-card/-record", hidden(look), 200)
	wants(t, done, "The revision is recorded at position", "diesel", "170.50", "Everyone")
	// The same page once more, and another person's form from before: both are told.
	wants(t, v.send("/register/rate-card/-record", stale, 409), "Somebody else revised RC-STD meanwhile", "170.50", "diesel")
	form.Set("v.name", "Another name")
	conflict := v.send("/register/rate-card/-preview", form, 409)
	wants(t, conflict, "Somebody else revised", `value="Another name"`)
	// Going on from there is possible with what was seen.
	wants(t, v.send("/register/rate-card/-preview", fieldsOf(t, conflict), 200), "Another name")
	// Undone, it reads as before.
	list, err := r.ledger.Events(t.Context(), ledger.EventQuery{Source: "/office/register", Kind: events.KindRegisterRevised})
	r.must(err)
	last := list[len(list)-1]
	if rev := last.Event.Body.(events.RegisterRevised); rev.Author != "Everyone" || rev.Note != "diesel" || rev.EffectiveFrom != events.MustTime("2026-10-20T00:00:00.000+01:00") {
		t.Errorf("recorded %+v", rev)
	}
	undo := fieldsOf(t, v.read("/register/rate-card/RC-STD/revise?undo="+uintText(last.Position), 200))
	look = v.send("/register/rate-card/-preview", undo, 200)
	wants(t, look, "undoes the revision at position", "170.50", "154.00")
	wants(t, v.send("/register/rate-card/-record", hidden(look), 200), "replaced at position", "undoes the revision")
	wants(t, v.read("/register/rate-card/RC-STD/revise?undo=1", 404), "no revision at position 1")
	first := events.MustTime("2026-10-21T10:00:00.000+01:00")
	known, err := r.ledger.RegisterRevisions(t.Context())
	r.must(err)
	if card, _ := newBook(known).RateCard("RC-STD", first); card.Rates[2].HourlyRate != "154.00" {
		t.Errorf("after undoing: %+v", card.Rates)
	}
}

func registerFormsSayWhatIsWrong(t *testing.T, r *rig) {
	v := r.visitor()
	form := fieldsOf(t, v.read("/register/truck/TM-01/revise", 200))
	form.Set("v.tareKg", "heavy")
	form.Set("v.axles.1.permittedKg", "")
	form.Set("date", "soon")
	text := v.send("/register/truck/-preview", form, 400)
	wants(t, text, "a whole number", `value="heavy"`, "a day such as 2026-11-01", `id="v.tareKg-wrong"`, `aria-describedby="v.tareKg-wrong"`)
	form = fieldsOf(t, v.read("/register/truck/TM-01/revise", 200))
	form.Set("v.axles.1.permittedKg", "")
	wants(t, v.send("/register/truck/-preview", form, 400), `id="v.axles.1.permittedKg-wrong"`)
	form = fieldsOf(t, v.read("/register/truck/TM-01/revise", 200))
	wants(t, v.send("/register/truck/-preview", form, 400), "says all of this from then on already")
	form.Set("more", "axles")
	wants(t, v.send("/register/truck/-preview", form, 200), "v.axles.9.name")
	form.Del("more")
	form.Set("v.carrier", "NOBODY")
	wants(t, v.send("/register/truck/-preview", form, 400), `id="v.carrier-wrong"`, "in force")
	v.read("/register/lorry", 404)
	v.read("/register/truck/TM-77", 404)
	// A new entry, and one whose key there is.
	form = fieldsOf(t, v.read("/register/operator/-new", 200))
	form.Set("key", "OP-77")
	form.Set("v.name", "Rory Quickset")
	look := v.send("/register/operator/-preview", form, 200)
	wants(t, look, "Rory Quickset", "No report of this month or the last changes")
	wants(t, v.send("/register/operator/-record", hidden(look), 200), "OP-77", "Rory Quickset", "The first reading")
	wants(t, v.send("/register/operator/-preview", form, 409), "There is an entry OP-77 already")
	form.Set("key", "no key")
	wants(t, v.send("/register/operator/-preview", form, 400), `id="key-wrong"`)
}

func registerAsFiles(t *testing.T, r *rig) {
	v := r.visitor()
	workbook := v.file("/register/-all.xlsx")
	wants(t, v.hand("/register/-hand-in", "files", map[string][]byte{"register.xlsx": workbook}, 200), "All of it is recorded already")
	z := v.file("/register/-all.zip")
	files := map[string][]byte{}
	archive, err := zip.NewReader(bytes.NewReader(z), int64(len(z)))
	r.must(err)
	for _, f := range archive.File {
		in, err := f.Open()
		r.must(err)
		files[f.Name], err = io.ReadAll(in)
		r.must(err)
	}
	if len(files) != 12 {
		t.Errorf("%d files", len(files))
	}
	wants(t, v.hand("/register/-hand-in", "files", files, 200), "All of it is recorded already")
	wants(t, string(v.file("/register/truck/-all.yaml")), "register: truck", "key: TM-01")
	// A cell changed in the workbook is one revision.
	f, err := excelize.OpenReader(bytes.NewReader(workbook))
	r.must(err)
	rows, err := f.GetRows("operator")
	r.must(err)
	if rows[2][4] != "Name" || rows[3][0] != "OP-1" {
		t.Fatalf("sheet operator: %v", rows[:4])
	}
	r.must(f.SetCellStr("operator", "E4", "Orla Renamed"))
	var b bytes.Buffer
	r.must(f.Write(&b))
	look := v.hand("/register/-hand-in", "files", map[string][]byte{"register.xlsx": b.Bytes()}, 200)
	wants(t, look, "Operators: OP-1 · Orla Renamed", "Record it")
	wants(t, v.send("/register/-load", hidden(look), 200), "1 revisions were recorded")
	wants(t, v.send("/register/-load", hidden(look), 409), "somebody else revised the register since you looked")
	// What is wrong is told by cell, or by file and line.
	r.must(f.SetCellStr("truck", "A4", "no key"))
	b.Reset()
	r.must(f.Write(&b))
	wants(t, v.hand("/register/-hand-in", "files", map[string][]byte{"register.xlsx": b.Bytes()}, 400), "<th scope=\"row\">A4</th>", "letters, digits")
	wants(t, v.hand("/register/-hand-in", "files", map[string][]byte{"x.yaml": []byte("register: lorry\n")}, 400), "x.yaml:1", "lorry")
	wants(t, v.hand("/register/-hand-in", "files", map[string][]byte{"x.yaml": nil, "y.xlsx": workbook}, 400), "not both")
	wants(t, v.hand("/register/-hand-in", "files", nil, 400), "no file was chosen")
}

func pricesAndRevisions(t *testing.T, r *rig) {
	for name, c := range map[string]struct {
		role   access.Role
		trucks []events.TruckID
		prices int
		edit   int
	}{"ann": {access.Office, nil, 200, 200}, "adm": {access.Administrator, nil, 200, 200}, "ola": {access.Officer, nil, 403, 403}, "yard": {access.Yard, nil, 403, 403}, "crew": {access.Crew, []events.TruckID{"TM-01"}, 403, 403}} {
		v := r.signedIn(name, c.role, c.trucks...)
		v.read("/register/rate-card/RC-STD", c.prices)
		v.read("/register/tax", c.prices)
		v.read("/register/truck/TM-01/revise", c.edit)
		v.read("/register/operator/-new", c.edit)
		text := v.read("/register/truck/TM-01", 200)
		page := v.read("/register", 200)
		archive := v.file("/register/-all.zip")
		if c.edit == 200 {
			wants(t, text, "Revise it")
			wants(t, page, "Rate cards", "Hand it in")
			continue
		}
		lacks(t, text, "Revise it", "Undo this")
		lacks(t, page, "Rate cards", "Taxes", "Hand it in")
		if bytes.Contains(archive, []byte("rate-card.yaml")) || bytes.Contains(archive, []byte("tax.yaml")) {
			t.Errorf("%s takes prices along", name)
		}
		v.send("/register/truck/-preview", url.Values{"seen": {"1"}}, 403)
		v.send("/register/truck/-record", url.Values{"seen": {"1"}}, 403)
		v.hand("/register/-hand-in", "files", map[string][]byte{"x.yaml": []byte("register: tax\n")}, 403)
	}
}
