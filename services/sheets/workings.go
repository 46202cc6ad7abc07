package sheets

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"strings"

	"github.com/xuri/excelize/v2"

	"spoilbook/reports"
	"spoilbook/reports/arithmetic"
)

// workingsSheet says how the lines came about. In a table with such lines the column of the same title leads there.
const (
	workingsSheet = "Workings"
	workingsKey   = "workings"
	workingsLabel = "how"
)

// How a row of workings is called.
const (
	lineWord     = "Line"
	registerWord = "Register"
	ruleWord     = "Rule"
	stepWord     = "Step"
)

// WorkingsTable lists how each line of d that can be explained came about, for the formats that only have tables: what the line says, the
// register as it read, the rules with their sources, and every step of the arithmetic.
func WorkingsTable(d reports.Document, x reports.Explainer) reports.Table {
	return reports.Table{
		Name: workingsSheet, Title: "How each line came about", Note: workingsNote, Empty: "No line of this report can be explained.", Cited: true, Backing: true,
		Columns: []reports.Column{reports.TextColumn("table", "Table"), reports.TextColumn("line_key", "Line key"), reports.TextColumn("part", "Part"),
			reports.TextColumn("what", "What"), reports.TextColumn("arithmetic", "Arithmetic"), reports.TextColumn("result", "Result, or where it is from")},
		Rows: func(yield func(reports.Row) bool) {
			for at, e := range explained(context.Background(), &d, x) {
				for _, l := range workingsOf(&e) {
					cells := []reports.Cell{reports.T(at.table), reports.T(e.Key), reports.T(l.part), reports.T(l.what), reports.T(l.sum), reports.T(l.result)}
					if !yield(reports.Row{Cells: cells, Cites: l.cites, Key: e.Key}) {
						return
					}
				}
			}
		},
	}
}

const workingsNote = "For each line: what it says, the register as it read, the rules and where they come from, and every step of the arithmetic, " +
	"with the ledger positions of the events behind it. Anybody can redo a step with a calculator."

// lineAt names a line: its table, and its number there, from 0.
type lineAt struct {
	table string
	n     int
}

// explained gives the lines of a document that can be explained, in order, each with its explanation. It ends early soon after ctx is done.
func explained(ctx context.Context, d *reports.Document, x reports.Explainer) iter.Seq2[lineAt, reports.Explanation] {
	return func(yield func(lineAt, reports.Explanation) bool) {
		if x == nil {
			return
		}
		for i := range d.Tables {
			at := lineAt{d.Tables[i].Name, -1}
			for row := range d.Tables[i].Rows {
				if at.n++; at.n%checkEvery == 0 && ctx.Err() != nil {
					return
				}
				if row.Key == "" {
					continue
				}
				if e, ok := x.Explain(at.table, row.Key); ok && !yield(at, e) {
					return
				}
			}
		}
	}
}

// working is one row of an explanation.
type working struct {
	part, what, sum, result string
	cites                   []uint64
}

// workingsOf lays an explanation out in rows, the first of which says what the line states.
func workingsOf(e *reports.Explanation) []working {
	rows := []working{{part: lineWord, what: e.Says, sum: e.Key, cites: e.Cites}}
	for _, u := range e.Register {
		rows = append(rows, working{part: registerWord, what: fmt.Sprintf("%s %s: %s", u.Register, u.Key, u.Reads),
			result: "the register since " + u.From.Std().Format("2006-01-02 15:04 -07:00"), cites: []uint64{u.Position}})
	}
	for _, r := range e.Rules {
		rows = append(rows, working{part: ruleWord, what: r.Rule, result: r.Source})
	}
	for _, s := range e.Steps {
		rows = append(rows, working{part: stepWord, what: s.What, sum: s.Arithmetic, result: s.Result, cites: s.Cites})
	}
	return rows
}

// workings is where a workbook's explanations stand, known before they are written so that lines can lead to them.
type workings struct {
	explainer reports.Explainer
	sheets    []string          // that they take
	starts    map[string][]spot // by table, of its lines in order; a line that is not explained has no row
	lines     int
	label     string // of a link to workings
}

// spot is a row of one of several sheets.
type spot struct{ sheet, row int32 }

// locate finds out where every explanation will begin.
func (b *book) locate(x reports.Explainer) error {
	w := &workings{explainer: x, label: b.say(workingsLabel), starts: map[string][]spot{}}
	last := spot{row: headerRow}
	next := func() spot {
		if int(last.row) >= b.limits.sheetRows-reservedRows {
			last = spot{last.sheet + 1, headerRow}
		}
		last.row++
		return last
	}
	for at, e := range explained(b.ctx, b.document, x) {
		w.lines++
		starts := w.starts[at.table]
		starts = append(starts, make([]spot, at.n+1-len(starts))...)
		starts[at.n] = next()
		for range len(e.Register) + len(e.Rules) + len(e.Steps) {
			next()
		}
		w.starts[at.table] = starts
	}
	if err := b.ctx.Err(); err != nil || w.lines == 0 {
		return err
	}
	w.sheets = []string{b.say(workingsSheet)}
	for range last.sheet {
		w.sheets = append(w.sheets, b.sheetNames.sheet(b.say(workingsSheet)))
	}
	b.workings = w
	return nil
}

// explains reports whether lines of a table are explained.
func (w *workings) explains(table string) bool { return w != nil && w.starts[table] != nil }

// linkTo is the formula that leads from line n of a table to its workings; it is empty when there are none.
func (w *workings) linkTo(table string, n int) string {
	if starts := w.starts[table]; n < len(starts) && starts[n].row > 0 {
		return hyperlink(w.sheets[starts[n].sheet], int(starts[n].row), w.label)
	}
	return ""
}

// hyperlink is a formula that leads to a row of a sheet. Unlike a link of the cell it goes with its line when a reader sorts the lines.
func hyperlink(sheet string, row int, label string) string {
	quoted := func(s string) string { return `"` + strings.ReplaceAll(s, `"`, `""`) + `"` }
	return fmt.Sprintf("HYPERLINK(%s,%s)", quoted(fmt.Sprintf("#%s!A%d", quoteSheet(sheet), row)), quoted(label))
}

// Columns of the workings in the order of their sheet.
const (
	partColumn = iota
	whatColumn
	sumColumn
	resultColumn
	reckonedColumn
	eventsColumn
	tableColumn
	keyColumn
)

// workingsFrame is the sheet without its rows.
func workingsFrame() (reports.Table, dress) {
	t := reports.Table{
		Name: workingsSheet, Title: "How each line came about", Backing: true, Cited: true,
		Note: "For each line: what it says, the register as it read, the rules and where they come from, and every step of the arithmetic, " +
			"with the ledger positions of the events behind it. Anybody can redo a step with a calculator. " +
			"The column Reckoned here does it, as a formula. The first column leads back to the line; filter the line's key to see one alone.",
		Columns: []reports.Column{reports.TextColumn("part", "Part"), reports.TextColumn("what", "What"), reports.TextColumn("arithmetic", "Arithmetic"),
			reports.TextColumn("result", "Result, or where it is from"), {Key: "reckoned", Title: "Reckoned here", Kind: reports.Number},
			reports.TextColumn("table", "Table").NotPrinted(), reports.TextColumn("line_key", "Line key").NotPrinted()},
		Rows: func(func(reports.Row) bool) {},
	}
	return t, dress{widths: []float64{21, 74, 46, 36, 16, 14, 28, 50, 60}, allPositions: true, outlined: true}
}

// writeWorkings writes the explanations to where [book.locate] put them.
func (b *book) writeWorkings() error {
	if b.workings == nil {
		return nil
	}
	t, d := workingsFrame()
	t = b.provenance.Tongue.Table(t)
	g := &grid{book: b, table: &t, dress: d, name: b.say(workingsSheet), place: &place{table: &t}, next: b.workings.sheets[1:]}
	if err := g.begin(nil); err != nil {
		return fmt.Errorf("sheet %s: %w", workingsSheet, err)
	}
	for at, e := range explained(b.ctx, b.document, b.workings.explainer) {
		if err := errors.Join(b.ctx.Err(), g.explanation(at, &e)); err != nil {
			return fmt.Errorf("sheet %s: %w", workingsSheet, err)
		}
	}
	if err := errors.Join(b.ctx.Err(), g.close()); err != nil {
		return fmt.Errorf("sheet %s: %w", workingsSheet, err)
	}
	b.contents = append(b.contents, contentLine{sheet: b.say(workingsSheet), title: t.Title, detail: b.counted(b.workings.lines, "line")})
	return nil
}

// explanation writes how a line came about. The rows after the first are grouped below it.
func (g *grid) explanation(at lineAt, e *reports.Explanation) error {
	rows := workingsOf(e)
	for i := range rows {
		if err := g.room(); err != nil {
			return err
		}
		w := &rows[i]
		if err := g.dressWorking(w); err != nil {
			return err
		}
		part := w.part
		if i == 0 {
			sheet, row := g.book.rowOf(at)
			part = g.book.say("%s, row %d", sheet, row)
			g.cells[partColumn].Formula = hyperlink(sheet, row, part)
		}
		if w.part == stepWord {
			if err := g.reckon(at.table, e.Key, w); err != nil {
				return err
			}
		}
		lines := 1
		for c, text := range []string{partColumn: part, whatColumn: w.what, sumColumn: w.sum, resultColumn: w.result, tableColumn: at.table, keyColumn: e.Key} {
			if text = cellText(text); text != "" {
				g.cells[c].Value = text
			}
			if c <= resultColumn {
				lines = max(lines, lineCount(text, g.columns[c].width-padding))
			}
		}
		g.cells[eventsColumn].Value = g.cites(shortCites, w.cites)
		g.cells[len(g.cells)-1].Value = g.cites(allCites, w.cites)
		g.level = min(i, 1)
		g.place.parts[len(g.place.parts)-1].last = g.row + 1
		if err := g.write(g.row+1, g.height(lines)); err != nil {
			return err
		}
	}
	return nil
}

// dressWorking empties the cells and gives them the look of a row of workings.
func (g *grid) dressWorking(w *working) error {
	l := look{role: roleBody, top: true}
	if w.part == lineWord {
		l = look{role: roleBlock}
	}
	for i := range g.cells {
		l.flat = i > eventsColumn
		id, err := g.book.styles.id(l)
		if err != nil {
			return err
		}
		g.cells[i] = excelize.Cell{StyleID: id}
	}
	if w.part != lineWord {
		return nil
	}
	id, err := g.book.styles.id(look{role: roleBlockLink})
	g.cells[partColumn].StyleID = id
	return err
}

// maxFormulaChars is the longest formula of a cell.
const maxFormulaChars = 8192

// reckon puts a step's arithmetic in as a formula with what it comes to, shown with the decimals of the result that the report states. Words
// that are no arithmetic get none.
func (g *grid) reckon(table, key string, w *working) error {
	if w.sum == "" {
		return nil
	}
	formula, value, err := arithmetic.Formula(w.sum)
	if err != nil || len(formula) > maxFormulaChars {
		return nil
	}
	decimals, ok := arithmetic.Decimals(w.result)
	if !ok {
		return nil
	}
	if err := arithmetic.Check(w.sum, w.result); err != nil {
		g.book.cautions = append(g.book.cautions, g.book.say("Sheet %s, line %s of %s, %s: %v. Report this.", g.book.say(workingsSheet), key, table, w.what, err))
	}
	id, err := g.book.styles.id(look{role: roleBody, top: true, right: true, format: formatOf(&reports.Column{Kind: reports.Number, Scale: decimals, Decimals: decimals})})
	if err != nil {
		return err
	}
	number, _ := value.Float64()
	g.cells[reckonedColumn] = excelize.Cell{StyleID: id, Formula: formula, Value: number}
	return nil
}

// rowOf returns the sheet and the row on which a line stands.
func (b *book) rowOf(at lineAt) (sheet string, row int) {
	parts, n := b.places[at.table].parts, at.n
	for len(parts) > 1 && n > parts[0].last-parts[0].first {
		n -= parts[0].last - parts[0].first + 1
		parts = parts[1:]
	}
	return parts[0].sheet, parts[0].first + n
}
