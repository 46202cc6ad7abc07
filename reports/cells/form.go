package cells

// Look says what a cell of a form is for; how it looks follows from it.
type Look int

// The looks.
const (
	Plain   Look = iota
	Title        // of the sheet
	Section      // of a part of the sheet
	Heading      // of a column, with its unit
	Label        // before something to fill in
	Code         // the number of a line
	Fill         // to be filled in with text
	FillNumber
	FillDate
	FillTime
	Example // clearly no entry
	Note
	Caution
)

// FormCell is a cell of a form, with what already stands in it.
type FormCell struct {
	Look Look
	Cell Cell
}

// Choice offers a list where somebody fills in. Others than those of the list can be written, and are judged when the form is read.
type Choice struct {
	Range Range
	List  string // name of a list of the form
}

// List is what can be chosen.
type List struct {
	Name  string
	Items []string
}

// FormSheet is one sheet of a form.
type FormSheet struct {
	Name      string
	Widths    []float64 // of the columns, in characters
	Rows      [][]FormCell
	Freeze    int // rows that stay in sight
	Choices   []Choice
	Landscape bool
	Prose     bool // to be read and not filled in: lines are wrapped
}

// Form is a workbook to be written.
type Form struct {
	Title  string
	Sheets []FormSheet
	Lists  []List
}

// Words is a cell of text.
func Words(look Look, text string) FormCell {
	if text == "" {
		return FormCell{Look: look}
	}
	return FormCell{look, Cell{Text, text}}
}
