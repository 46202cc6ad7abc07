package sheets

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"

	"github.com/xuri/excelize/v2"

	"spoilbook/reports/cells"
)

// listsSheet holds what can be chosen in a form.
const listsSheet = "Lists"

// Form writes a form to w as an XLSX workbook: boxes to fill in, with lists to choose from, a head that stays in sight, and each sheet as wide
// as A4 paper. The same form gives the same bytes. What was written to w before an error is no workbook.
func Form(ctx context.Context, w io.Writer, form *cells.Form) (err error) {
	f := excelize.NewFile()
	defer func() { err = errors.Join(err, f.Close()) }()
	fw := &formWriter{f: f, styles: map[cells.Look]int{}, lists: map[string]string{}}
	if err := fw.fill(form); err != nil {
		return fmt.Errorf("form %s: %w", form.Title, err)
	}
	a, err := newArchive(ctx, w)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, a.discard()) }()
	f.SetZipWriter(func(io.Writer) excelize.ZipWriter { return a })
	if err := f.Write(io.Discard); err != nil {
		return fmt.Errorf("form %s: write: %w", form.Title, err)
	}
	return nil
}

type formWriter struct {
	f      *excelize.File
	styles map[cells.Look]int
	lists  map[string]string // reference of each list's cells
}

func (fw *formWriter) fill(form *cells.Form) error {
	for i := range form.Sheets {
		s := &form.Sheets[i]
		if i == 0 {
			if err := fw.f.SetSheetName("Sheet1", s.Name); err != nil {
				return err
			}
		} else if _, err := fw.f.NewSheet(s.Name); err != nil {
			return err
		}
	}
	if err := fw.writeLists(form.Lists); err != nil {
		return err
	}
	for i := range form.Sheets {
		if err := fw.sheet(&form.Sheets[i]); err != nil {
			return fmt.Errorf("sheet %s: %w", form.Sheets[i].Name, err)
		}
	}
	return errors.Join(
		fw.f.SetDocProps(&excelize.DocProperties{Title: form.Title, Creator: "Spoilbook", Created: "2000-01-01T00:00:00Z", Modified: "2000-01-01T00:00:00Z"}),
		fw.f.SetAppProps(&excelize.AppProperties{Application: "Spoilbook"}))
}

// writeLists puts each list into a column of its own.
func (fw *formWriter) writeLists(lists []cells.List) error {
	if len(lists) == 0 {
		return nil
	}
	if _, err := fw.f.NewSheet(listsSheet); err != nil {
		return err
	}
	for i, list := range lists {
		if err := fw.cell(listsSheet, 1, i+1, cells.Words(cells.Heading, list.Name)); err != nil {
			return err
		}
		for k, item := range list.Items {
			if err := fw.cell(listsSheet, k+2, i+1, cells.Words(cells.Plain, item)); err != nil {
				return err
			}
		}
		if n := len(list.Items); n > 0 {
			letter := cells.Column(i + 1)
			fw.lists[list.Name] = fmt.Sprintf("%s!$%s$2:$%s$%d", listsSheet, letter, letter, n+1)
		}
	}
	if err := fw.f.SetColWidth(listsSheet, "A", cells.Column(len(lists)), 34); err != nil {
		return err
	}
	err := fw.f.SetPanes(listsSheet, &excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"})
	return errors.Join(err, fw.page(&cells.FormSheet{Name: listsSheet, Landscape: true}))
}

func (fw *formWriter) sheet(s *cells.FormSheet) error {
	for i, width := range s.Widths {
		if err := fw.f.SetColWidth(s.Name, cells.Column(i+1), cells.Column(i+1), width); err != nil {
			return err
		}
	}
	for r, row := range s.Rows {
		tall := false
		for c, cell := range row {
			tall = tall || cell.Look == cells.Heading
			if err := fw.cell(s.Name, r+1, c+1, cell); err != nil {
				return err
			}
		}
		if err := fw.f.SetRowHeight(s.Name, r+1, rowHeight(s, row, tall)); err != nil {
			return err
		}
	}
	if err := fw.choices(s); err != nil {
		return err
	}
	if s.Freeze > 0 {
		err := fw.f.SetPanes(s.Name, &excelize.Panes{Freeze: true, YSplit: s.Freeze, TopLeftCell: cells.Ref(s.Freeze+1, 1), ActivePane: "bottomLeft"})
		if err != nil {
			return err
		}
	}
	return fw.page(s)
}

// rowHeight leaves room for a pen, and for headings and prose of several lines.
func rowHeight(s *cells.FormSheet, row []cells.FormCell, tall bool) float64 {
	if s.Prose && len(row) > 0 && len(s.Widths) > 0 {
		lines := 1 + len([]rune(row[0].Cell.Text))/int(s.Widths[0]*1.05)
		if row[0].Look == cells.Title {
			return 26
		}
		return 16 * float64(lines)
	}
	if tall {
		return 44
	}
	return 20
}

func (fw *formWriter) choices(s *cells.FormSheet) error {
	for _, c := range s.Choices {
		from, ok := fw.lists[c.List]
		if !ok {
			continue
		}
		dv := excelize.NewDataValidation(true)
		dv.SetSqref(c.Range.String())
		dv.SetSqrefDropList(from)
		dv.SetError(excelize.DataValidationErrorStyleWarning, "Not in the list", "Choose one of the list. Something else is told when the sheet is read.")
		if err := fw.f.AddDataValidation(s.Name, dv); err != nil {
			return err
		}
	}
	return nil
}

// page sets the sheet up for A4 paper, as many pages long as it needs.
func (fw *formWriter) page(s *cells.FormSheet) error {
	orientation, a4, one, many, fit := "portrait", 9, 1, 0, true
	if s.Landscape {
		orientation = "landscape"
	}
	narrow := 0.4
	grids := false
	return errors.Join(
		fw.f.SetPageLayout(s.Name, &excelize.PageLayoutOptions{Size: &a4, Orientation: &orientation, FitToWidth: &one, FitToHeight: &many}),
		fw.f.SetSheetProps(s.Name, &excelize.SheetPropsOptions{FitToPage: &fit}),
		fw.f.SetPageMargins(s.Name, &excelize.PageLayoutMarginsOptions{Left: &narrow, Right: &narrow, Top: &narrow, Bottom: &narrow}),
		fw.f.SetSheetView(s.Name, 0, &excelize.ViewOptions{ShowGridLines: &grids}),
		fw.f.SetHeaderFooter(s.Name, &excelize.HeaderFooterOptions{OddFooter: "&L&A&RPage &P of &N"}))
}

// cell writes one cell: text is only ever text, and a number keeps its digits.
func (fw *formWriter) cell(sheet string, row, column int, c cells.FormCell) error {
	ref := cells.Ref(row, column)
	if c.Look != cells.Plain {
		style, err := fw.style(c.Look)
		if err != nil {
			return err
		}
		if err := fw.f.SetCellStyle(sheet, ref, ref, style); err != nil {
			return err
		}
	}
	switch c.Cell.Kind {
	case cells.Empty:
		return nil
	case cells.Number, cells.Moment:
		if n, err := strconv.ParseInt(c.Cell.Text, 10, 64); err == nil {
			return fw.f.SetCellInt(sheet, ref, n)
		}
		v, err := strconv.ParseFloat(c.Cell.Text, 64)
		if err != nil {
			return fmt.Errorf("cell %s: %q is no number", ref, c.Cell.Text)
		}
		return fw.f.SetCellFloat(sheet, ref, v, -1, 64)
	case cells.Truth:
		return fw.f.SetCellBool(sheet, ref, c.Cell.Text == "true")
	}
	return fw.f.SetCellStr(sheet, ref, cellText(c.Cell.Text))
}

func (fw *formWriter) style(l cells.Look) (int, error) {
	if id, ok := fw.styles[l]; ok {
		return id, nil
	}
	id, err := fw.f.NewStyle(formStyle(l))
	if err == nil {
		fw.styles[l] = id
	}
	return id, err
}

func formStyle(l cells.Look) *excelize.Style {
	st := &excelize.Style{Font: &excelize.Font{Family: fontName, Size: fontSize, Color: ink}, Alignment: &excelize.Alignment{Vertical: "center"}}
	box := edges(quiet, 1, "left", "right", "top", "bottom")
	format := func(text string) { st.CustomNumFmt = &text }
	switch l {
	case cells.Title:
		st.Font.Size, st.Font.Bold, st.Font.Color = 16, true, slate
	case cells.Section:
		st.Font.Size, st.Font.Bold, st.Font.Color = 12, true, slate
		st.Border = edges(ochre, 2, "bottom")
	case cells.Heading:
		st.Font.Bold, st.Font.Color, st.Font.Size = true, slate, 10
		st.Fill, st.Border = solid(mist), box
		st.Alignment.WrapText, st.Alignment.Vertical = true, "top"
	case cells.Label:
		st.Font.Bold, st.Font.Color = true, quiet
		st.Alignment.Horizontal, st.Alignment.Indent = "right", 1
	case cells.Code:
		st.Font.Bold, st.Font.Color, st.Border, st.Fill = true, slate, box, solid(mist)
		st.Alignment.Horizontal = "center"
	case cells.Fill:
		st.Border, st.Alignment.ShrinkToFit = box, true
		format("@")
	case cells.FillNumber:
		st.Border = box
		st.Alignment.Horizontal = "right"
	case cells.FillDate:
		st.Border = box
		format(dateFormat)
	case cells.FillTime:
		st.Border = box
		format("hh:mm")
	case cells.Example:
		st.Font.Italic, st.Font.Color, st.Font.Size = true, quiet, 10
		st.Fill = excelize.Fill{Type: "pattern", Pattern: 17, Color: []string{hairline}}
		st.Alignment.ShrinkToFit = true
	case cells.Note:
		st.Font.Color, st.Alignment.WrapText, st.Alignment.Vertical = ink, true, "top"
	case cells.Caution:
		st.Font.Color, st.Font.Bold, st.Alignment.WrapText = warnInk, true, true
	}
	return st
}
