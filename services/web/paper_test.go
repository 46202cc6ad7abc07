package web_test

import (
	"bytes"
	"html"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"spoilbook/events"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// filledIn is a workbook with values put where a line's number and a heading, or a field of the head, say.
func filledIn(t *testing.T, content []byte, values map[string]string) []byte {
	t.Helper()
	f, err := excelize.OpenReader(bytes.NewReader(content))
	if err != nil {
		t.Fatal(err)
	}
	sheet := f.GetSheetName(0)
	rows, err := f.GetRows(sheet)
	if err != nil {
		t.Fatal(err)
	}
	for name, v := range values {
		code, heading, numbered := strings.Cut(name, ":")
		done := false
		heads := map[string]int{}
		for r, row := range rows {
			for c, text := range row {
				if len(row) > 0 && row[0] == "No." {
					heads[text] = c + 1
				}
				if !numbered && text == name || numbered && c == 0 && text == code {
					column := c + 2
					if numbered {
						column = heads[heading]
					}
					ref, err := excelize.CoordinatesToCellName(column, r+1)
					if err == nil {
						err = f.SetCellStr(sheet, ref, v)
					}
					if err != nil {
						t.Fatal(err)
					}
					done = true
				}
			}
			if len(row) > 0 && row[0] == "No." {
				heads = map[string]int{}
				for c, text := range row {
					heads[text] = c + 1
				}
			}
		}
		if !done {
			t.Fatalf("the form has no %s", name)
		}
	}
	var b bytes.Buffer
	if err := f.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// hidden returns the hidden fields of the page's last form that has some.
func hidden(text string) url.Values {
	q := url.Values{}
	for _, m := range regexp.MustCompile(`<input type="hidden" name="([^"]*)" value="([^"]*)">`).FindAllStringSubmatch(text, -1) {
		q.Set(html.UnescapeString(m[1]), html.UnescapeString(m[2]))
	}
	return q
}

func lacks(t *testing.T, text string, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if strings.Contains(text, p) {
			t.Errorf("the page has %q", p)
		}
	}
}

func dayOf(t *testing.T, v *visitor) []byte {
	return filledIn(t, v.file("/paper/day.xlsx?truck=TM-01&date=2026-11-03"), map[string]string{"Driver": "OP-1", "Shift from": "7:00", "Shift to": "15:30", "Job where a line has none": "J-101",
		"L1:From": "8:00", "L1:To": "8:30", "L1:Slurry (m³)": "2,5", "L1:Jetting water (L)": "900", "T1:From": "11:00", "T1:To": "11:10", "T1:Facility": "F-GORSE", "T1:Whole tank": "yes"})
}

func paperFromFormToLedger(t *testing.T, r *rig) {
	v := r.visitor()
	wants(t, v.read("/paper", 200), "Big Heron", "Take the day sheet", "Hand a form in")
	v.read("/paper/day.xlsx?truck=TM-99", 404)
	v.read("/paper/day.xlsx?date=3.11.", 400)
	day := dayOf(t, v)
	before, err := r.ledger.Head(t.Context())
	r.must(err)
	look := v.hand("/paper", "workbook", map[string][]byte{"day.xlsx": day}, 200)
	wants(t, look, "Before it is recorded", "day.xlsx", "08:00–08:30 load, job J-101, material M-CLAY, slurry 2.50 m³ (measured), jetting water 900 L", "11:00–11:10 tip, at F-GORSE, whole tank", "Record it")
	if now, err := r.ledger.Head(t.Context()); err != nil || now.Position != before.Position {
		t.Errorf("a look recorded something: %d, %v", now.Position, err)
	}
	done := v.send("/paper/record", hidden(look), 200)
	wants(t, done, "4 entries were recorded", "There is nothing to do")
	// The button pressed again, after going back, and the same file again: nothing changes.
	wants(t, v.send("/paper/record", hidden(look), 409), "the ledger has changed since you looked")
	again := v.hand("/paper", "workbook", map[string][]byte{"copy.xlsx": day}, 200)
	wants(t, again, "There is nothing to do")
	list, err := r.ledger.Events(t.Context(), ledger.EventQuery{Source: "/office/paper-TM-01"})
	r.must(err)
	if len(list) != 4 || list[0].Event.Origin != events.FromOffice || list[0].Seq != 1 || list[3].Seq != 4 {
		t.Fatalf("recorded %d: %+v", len(list), list)
	}
	// Corrected with a reason, by who is signed in.
	look = v.hand("/paper", "workbook", map[string][]byte{"day.xlsx": filledIn(t, day, map[string]string{"L1:Slurry (m³)": "2,7"})}, 200)
	wants(t, look, "slurry 2.70 m³", "Recorded now", "slurry 2.50 m³", "Why are the lines corrected?")
	q := hidden(look)
	wants(t, v.send("/paper/record", q, 400), "say why they are corrected")
	q.Set("reason", "gauge misread")
	wants(t, v.send("/paper/record", q, 200), "1 entries were recorded")
	list, err = r.ledger.Events(t.Context(), ledger.EventQuery{Source: "/office/paper-TM-01", Kind: events.KindEntryCorrected})
	r.must(err)
	if c, ok := list[0].Event.Body.(events.EntryCorrected); !ok || c.Reason != "gauge misread" || c.Author != "Everyone" || c.Refers.ID != "20261103-1-L1" {
		t.Errorf("correction %+v", list[0].Event)
	}
	wants(t, v.read("/reports/manifest?from=2026-11-03&to=2026-11-03&tz=Europe%2FDublin", 200), "2.7")
	// A line that was struck out.
	struck := filledIn(t, day, map[string]string{"L1:Slurry (m³)": "2,7", "T1:From": "", "T1:To": "", "T1:Facility": "", "T1:Whole tank": ""})
	look = v.hand("/paper", "workbook", map[string][]byte{"day.xlsx": struck}, 200)
	wants(t, look, "On the sheets no longer", "11:00–11:10 tip", "Why are they voided?")
	q = hidden(look)
	q.Set("void-gone", "on")
	wants(t, v.send("/paper/record", q, 400), "say why they are voided")
	q.Set("reason", "another truck")
	wants(t, v.send("/paper/record", q, 200), "1 entries were recorded", "There is nothing to do")
	// What the truck recorded already.
	twice := filledIn(t, v.file("/paper/day.xlsx?truck=TM-01&date=2026-10-05"), map[string]string{"A1:From": "7:00", "A1:To": "15:00", "A1:What": "rest", "L1:From": "7:30", "L1:To": "15:00", "L1:Job": "J-101", "L1:Slurry (m³)": "1"})
	look = v.hand("/paper", "workbook", map[string][]byte{"d.xlsx": twice}, 200)
	wants(t, look, "Recorded by others already", "/truck/TM-01")
	wants(t, v.send("/paper/record", hidden(look), 400), "recorded already by others")
}

func paperThatIsWrong(t *testing.T, r *rig) {
	v := r.visitor()
	day := v.file("/paper/day.xlsx?truck=TM-01&date=2026-11-03")
	text := v.hand("/paper", "workbook", map[string][]byte{"d.xlsx": filledIn(t, day, map[string]string{"L1:From": "8.10", "L2:From": "9:00", "L2:To": "9:10", "L2:Job": "J-1", "L2:Slurry (m³)": "1,234"})}, 400)
	wants(t, text, "What is wrong with the file", "&#34;8.10&#34;", "B10", "D11", "F11", "may mean two things", "J-101", "Nothing of it was recorded")
	wants(t, v.hand("/paper", "workbook", map[string][]byte{"d.xlsx": []byte("x")}, 400), "a file that is no workbook")
	wants(t, v.hand("/paper", "workbook", nil, 400), "no file was chosen")
	wants(t, v.hand("/paper", "workbook", map[string][]byte{"d.xlsx": make([]byte, 5<<20)}, 413), "larger than")
	wants(t, v.hand("/paper", "workbook", map[string][]byte{"d.xlsx": day}, 400), "nothing that is filled in")
	v.read("/paper/look?sheet=nothing", 404)
	future := filledIn(t, v.file("/paper/day.xlsx?truck=TM-01&date=2026-12-24"), map[string]string{"Shift from": "7:00"})
	wants(t, v.hand("/paper", "workbook", map[string][]byte{"d.xlsx": future}, 400), "what has happened already")
}

func whoMayHandPaperIn(t *testing.T, r *rig) {
	office := r.signedIn("ann-2", access.Office)
	day := dayOf(t, office)
	officer := r.signedIn("ola-2", access.Officer)
	wants(t, officer.read("/paper", 403), "does not include")
	lacks(t, officer.read("/reports", 200), `href="/paper"`)
	officer.hand("/paper", "workbook", map[string][]byte{"d.xlsx": day}, 403)
	mine := r.signedIn("crew-1", access.Crew, "TM-01")
	look := mine.hand("/paper", "workbook", map[string][]byte{"d.xlsx": day}, 200)
	wants(t, look, "Record it")
	theirs := r.signedIn("crew-2", access.Crew, "TM-02")
	wants(t, theirs.hand("/paper", "workbook", map[string][]byte{"d.xlsx": day}, 403), "none of yours")
	// What one handed in is not another's to record.
	theirs.send("/paper/record", hidden(look), 404)
	office.send("/paper/record", hidden(look), 404)
	wants(t, mine.send("/paper/record", hidden(look), 200), "4 entries were recorded")
}
