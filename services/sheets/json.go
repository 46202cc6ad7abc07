package sheets

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strconv"

	"spoilbook/events"
	"spoilbook/reports"
)

// JSON writes d as one RFC 8259 object, a line of text for each row, without holding the rows in memory:
//
//	{"report": "manifest", "title": …, "provenance": {…}, "glance": [{"label": …, "text": …}], "subject": […], "notes": […],
//	 "tables": [{"name": …, "title": …, "note": …, "columns": [{"key": "spoil_m3", "title": …, "unit": "m³", "kind": "number", "scale": 6, …}],
//	   "rows": [{"values": {"spoil_m3": 3.242576, "started": "2026-10-05T08:25:00.000+01:00", …}, "events": [12, 15]}],
//	   "totals": {"spoil_m3": 3.242576}}],
//	 "pictures": […], "findings": […]}
//
// Numbers are exact decimals with all digits of their scale: read them as decimals where they must stay exact. Durations are texts "7:45:30",
// empty cells null. Totals are the report's own, null where it gives none. The events of a row are given where its table is cited.
func JSON(w io.Writer, d reports.Document, p Provenance) error {
	return JSONWithWorkings(w, d, p, nil)
}

// JSONWithWorkings writes d as [JSON] does, and in each row that x explains the member workings, in the names of the API:
//
//	"workings": {"says": …, "register": […], "rules": [{"rule": …, "source": …}], "steps": [{"what": …, "arithmetic": …, "result": …, "events": […]}], "events": […]}
func JSONWithWorkings(w io.Writer, d reports.Document, p Provenance, x reports.Explainer) error {
	if err := validate(&d, &p); err != nil {
		return err
	}
	d = p.Tongue.Document(d)
	j := &jsonWriter{w: bufio.NewWriterSize(w, 64<<10), p: &p, explainer: x}
	if err := j.document(&d); err != nil {
		return fmt.Errorf("json %s: %w", d.Report, err)
	}
	return nil
}

type jsonWriter struct {
	w       *bufio.Writer
	p       *Provenance
	scratch bytes.Buffer
	line    []byte

	explainer reports.Explainer // nil for no workings
}

// jsonProvenance and the types after it give the names and the order of what JSON writes.
type jsonProvenance struct {
	Carrier           string     `json:"carrier"`
	From              string     `json:"from"`
	To                string     `json:"to"` // the first instant after the period
	Zone              string     `json:"zone"`
	Truck             string     `json:"truck,omitempty"`
	Job               string     `json:"job,omitempty"`
	Client            string     `json:"client,omitempty"`
	Position          uint64     `json:"position"`
	LedgerHash        string     `json:"ledgerHash"`
	RegisterPosition  uint64     `json:"registerPosition"`
	RegisterRevisions int        `json:"registerRevisions"`
	By                string     `json:"by"`
	At                string     `json:"at"`
	Program           string     `json:"program"`
	Count             jsonCounts `json:"count"`
}

type jsonCounts struct {
	Events      int `json:"events"`
	Effective   int `json:"effective"`
	Corrected   int `json:"corrected"`
	Voided      int `json:"voided"`
	Corrections int `json:"corrections"`
	Revisions   int `json:"revisions"`
}

type jsonField struct {
	Label string `json:"label"`
	Text  string `json:"text"`
}

type jsonColumn struct {
	Key      string `json:"key"`
	Title    string `json:"title"`
	Unit     string `json:"unit,omitempty"`
	Kind     string `json:"kind"`
	Scale    int    `json:"scale"`
	Decimals int    `json:"decimals"`
	Total    bool   `json:"total"`
}

type jsonPicture struct {
	Title    string   `json:"title"`
	Alt      string   `json:"alt"`
	Kind     string   `json:"kind"`
	Table    string   `json:"table"`
	Category string   `json:"category"`
	Series   []string `json:"series"`
	Rows     int      `json:"rows"`
}

type jsonFinding struct {
	Code     string   `json:"code"`
	Severity string   `json:"severity"`
	Truck    string   `json:"truck,omitempty"`
	Job      string   `json:"job,omitempty"`
	When     string   `json:"when,omitempty"`
	What     string   `json:"what"`
	Settle   string   `json:"settle"`
	Events   []uint64 `json:"events"`

	Answers []jsonAnswer `json:"answers,omitempty"`
}

type jsonAnswer struct {
	By      string `json:"by"`
	At      string `json:"at"`
	Outcome string `json:"outcome"`
	Text    string `json:"text"`
	Event   uint64 `json:"event"`
}

type jsonWorkings struct {
	Line     string     `json:"line"`
	Says     string     `json:"says"`
	Register []jsonUse  `json:"register"`
	Rules    []jsonRule `json:"rules"`
	Steps    []jsonStep `json:"steps"`
	Events   []uint64   `json:"events"`
}

type jsonUse struct {
	Register string `json:"register"`
	Key      string `json:"key"`
	From     string `json:"from"`
	Position uint64 `json:"position"`
	Reads    string `json:"reads"`
}

type jsonRule struct {
	Rule   string `json:"rule"`
	Source string `json:"source"`
}

type jsonStep struct {
	What       string   `json:"what"`
	Arithmetic string   `json:"arithmetic,omitempty"`
	Result     string   `json:"result,omitempty"`
	Events     []uint64 `json:"events,omitempty"`
}

func (j *jsonWriter) document(d *reports.Document) error {
	j.raw("{")
	for _, member := range []struct {
		key   string
		value any
	}{
		{"report", d.Report}, {"title", d.Title}, {"provenance", j.provenance()}, {"glance", jsonFields(d.Glance)}, {"subject", jsonFields(d.Subject)}, {"notes", allNotes(d, j.p)},
	} {
		if err := j.member(member.key, member.value); err != nil {
			return err
		}
		j.raw(",\n ")
	}
	j.raw(`"tables": [`)
	for i := range d.Tables {
		if i > 0 {
			j.raw(",")
		}
		if err := j.table(&d.Tables[i]); err != nil {
			return err
		}
	}
	j.raw("],\n ")
	if err := j.member("pictures", jsonPictures(d)); err != nil {
		return err
	}
	j.raw(",\n ")
	if err := j.member("findings", j.findings(d)); err != nil {
		return err
	}
	j.raw("}\n")
	return j.w.Flush()
}

// raw writes s; the writer keeps an error for Flush.
func (j *jsonWriter) raw(s string) { _, _ = j.w.WriteString(s) }

func (j *jsonWriter) member(key string, value any) error {
	text, err := j.encode(value)
	if err != nil {
		return fmt.Errorf("%s: %w", key, err)
	}
	j.raw(`"` + key + `": `)
	_, err = j.w.Write(text)
	return err
}

// encode returns value as JSON that leaves < > and & as they are. The bytes hold until the next call.
func (j *jsonWriter) encode(value any) ([]byte, error) {
	j.scratch.Reset()
	e := json.NewEncoder(&j.scratch)
	e.SetEscapeHTML(false)
	if err := e.Encode(value); err != nil {
		return nil, err
	}
	return bytes.TrimRight(j.scratch.Bytes(), "\n"), nil
}

func (j *jsonWriter) table(t *reports.Table) error {
	columns, keys := []jsonColumn{}, make([][]byte, len(t.Columns))
	for i, c := range t.Columns {
		columns = append(columns, jsonColumn{c.Key, c.Title, c.Unit, kindWord(c.Kind), c.Scale, c.Decimals, c.Total})
		key, err := j.encode(c.Key)
		if err != nil {
			return err
		}
		keys[i] = append(bytes.Clone(key), ": "...)
	}
	j.raw("{")
	for _, member := range []struct {
		key   string
		value any
	}{{"name", t.Name}, {"title", t.Title}, {"note", t.Note}, {"columns", columns}} {
		if err := j.member(member.key, member.value); err != nil {
			return err
		}
		j.raw(", ")
	}
	j.raw(`"rows": [`)
	err := eachRow(t, func(n int, r *reports.Row) error {
		if n > 1 {
			j.raw(",")
		}
		j.raw("\n  {\"values\": ")
		if err := j.values(t, keys, r.Cells); err != nil {
			return err
		}
		if t.Cited {
			j.line = append(j.line[:0], `, "events": [`...)
			j.line = append(append(j.line, citeList(r.Cites, ", ")...), ']')
			_, _ = j.w.Write(j.line)
		}
		if err := j.workings(t.Name, r.Key); err != nil {
			return err
		}
		_, err := j.w.WriteString("}")
		return err
	})
	if err != nil {
		return err
	}
	j.raw("],\n  \"totals\": ")
	if t.Totals == nil {
		j.raw("null")
	} else if err := j.values(t, keys, t.Totals); err != nil {
		return err
	}
	j.raw("}")
	return nil
}

// workings writes how a line came about, where that is asked for and can be said.
func (j *jsonWriter) workings(table, key string) error {
	if j.explainer == nil || key == "" {
		return nil
	}
	e, ok := j.explainer.Explain(table, key)
	if !ok {
		return nil
	}
	out := jsonWorkings{Line: key, Says: e.Says, Register: []jsonUse{}, Rules: []jsonRule{}, Steps: []jsonStep{}, Events: append([]uint64{}, e.Cites...)}
	for _, u := range e.Register {
		out.Register = append(out.Register, jsonUse{string(u.Register), u.Key, u.From.String(), u.Position, u.Reads})
	}
	for _, r := range e.Rules {
		out.Rules = append(out.Rules, jsonRule(r))
	}
	for _, s := range e.Steps {
		out.Steps = append(out.Steps, jsonStep{s.What, s.Arithmetic, s.Result, s.Cites})
	}
	j.raw(",\n   ")
	return j.member("workings", out)
}

// values writes cells as an object under the keys of their columns.
func (j *jsonWriter) values(t *reports.Table, keys [][]byte, cells []reports.Cell) error {
	line := append(j.line[:0], '{')
	for i, cell := range cells {
		if i > 0 {
			line = append(line, ", "...)
		}
		line = append(line, keys[i]...)
		c := &t.Columns[i]
		switch {
		case cell.Empty:
			line = append(line, "null"...)
		case c.Kind == reports.Number:
			line = append(line, decimal(cell.Int, c.Scale)...)
		case c.Kind == reports.YesNo:
			line = strconv.AppendBool(line, cell.Int != 0)
		default:
			text, err := j.encode(exact(c, cell, j.p.Period))
			if err != nil {
				return err
			}
			line = append(line, text...)
		}
	}
	j.line = append(line, '}')
	_, err := j.w.Write(j.line)
	return err
}

func (j *jsonWriter) provenance() jsonProvenance {
	p := j.p
	return jsonProvenance{
		Carrier: p.Carrier, From: j.instant(p.Period.From), To: j.instant(p.Period.To), Zone: p.zone(),
		Truck: string(p.Filter.Truck), Job: string(p.Filter.Job), Client: string(p.Filter.Client),
		Position: p.Position, LedgerHash: p.LedgerHash, RegisterPosition: p.RegisterPosition, RegisterRevisions: p.RegisterRevisions,
		By: p.By, At: j.instant(events.TimeOf(p.At)), Program: p.Program, Count: jsonCounts(p.Count),
	}
}

// instant writes a time in the period's zone; the zero time is empty.
func (j *jsonWriter) instant(t events.Time) string {
	return exact(&reports.Column{Kind: reports.Instant}, reports.At(t), j.p.Period)
}

func (j *jsonWriter) findings(d *reports.Document) []jsonFinding {
	out := []jsonFinding{}
	for _, f := range d.Findings {
		cites := append([]uint64{}, f.Cites...)
		out = append(out, jsonFinding{string(f.Code), string(f.Severity), string(f.Truck), string(f.Job), j.instant(f.At), f.What, f.Settle, cites, j.answers(f.Answers)})
	}
	return out
}

func (j *jsonWriter) answers(answers []reports.Answer) []jsonAnswer {
	var out []jsonAnswer
	for _, a := range answers {
		out = append(out, jsonAnswer{a.By, j.instant(a.At), string(a.Outcome), a.Text, a.Position})
	}
	return out
}

func jsonFields(fields []reports.Field) []jsonField {
	out := []jsonField{}
	for _, f := range fields {
		out = append(out, jsonField{f.Label, f.Text})
	}
	return out
}

func jsonPictures(d *reports.Document) []jsonPicture {
	out := []jsonPicture{}
	for _, p := range d.Pictures {
		out = append(out, jsonPicture{p.Title, p.Alt, pictureWord(p.Kind), p.Table, p.Category, p.Series, p.Rows})
	}
	return out
}

func kindWord(k reports.ColumnKind) string {
	switch k {
	case reports.Number:
		return "number"
	case reports.Instant:
		return "instant"
	case reports.Date:
		return "date"
	case reports.Duration:
		return "duration"
	case reports.YesNo:
		return "yesno"
	}
	return "text"
}

func pictureWord(k reports.PictureKind) string {
	switch k {
	case reports.Columns:
		return "columns"
	case reports.Bars:
		return "bars"
	case reports.StackedBars:
		return "stacked-bars"
	case reports.Lines:
		return "lines"
	}
	return "stacked-columns"
}
