package sheets

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"

	"spoilbook/reports/cells"
)

// Limits of a workbook that is read. They are far above what a form filled in by people needs, and keep a file that was made to do harm from
// filling memory: it is measured before anything of it is taken apart.
const (
	MaxReadBytes     = 4 << 20  // of the file
	maxUnpackedBytes = 48 << 20 // of all its parts
	maxParts         = 400
	maxReadSheets    = 60
	maxReadRows      = 2_000
	maxReadColumns   = 60
	maxReadCells     = 40_000
	maxMerged        = 500
	maxCellText      = 4_000
)

// unreadable is why a file is not read: what was found and what is allowed.
func unreadable(found, allowed string) error {
	p := &cells.Problems{}
	p.Add(cells.Problem{Sheet: "(the file)", Found: found, Allowed: allowed})
	return p
}

// Read returns the cells of an XLSX workbook. Hidden sheets are read as others are. Everything it refuses is a [*cells.Problems]: a file that is
// no such workbook, is protected by a password, holds macros, or is larger unpacked than a form can be. It says nothing of what the cells mean.
func Read(content []byte) (wb *cells.Workbook, err error) {
	// The library is made for files of good will; on others it may stop short.
	defer func() {
		if v := recover(); v != nil {
			wb, err = nil, unreadable(fmt.Sprintf("a workbook that can not be taken apart (%v)", v), "a workbook saved by a spreadsheet program; open it and save it again")
		}
	}()
	weighed, err := weigh(content)
	if err != nil {
		return nil, err
	}
	f, err := excelize.OpenReader(bytes.NewReader(content), excelize.Options{UnzipSizeLimit: maxUnpackedBytes, UnzipXMLSizeLimit: maxUnpackedBytes, RawCellValue: true})
	if err != nil {
		return nil, unreadable("a workbook that can not be taken apart: "+err.Error(), "a workbook saved by a spreadsheet program; open it and save it again")
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	props, err := f.GetWorkbookProps()
	if err != nil {
		return nil, unreadable(err.Error(), "a workbook saved by a spreadsheet program")
	}
	r := &reader{f: f, formats: map[int]bool{}}
	if weighed.formulas > 0 {
		r.widest = weighed.widest
	}
	if props.Date1904 != nil && *props.Date1904 {
		r.epoch = 1462 // days from the end of 1899 to the beginning of 1904
	}
	wb = &cells.Workbook{}
	for _, name := range f.GetSheetList() {
		if len(wb.Sheets) == maxReadSheets {
			return nil, unreadable("more sheets", fmt.Sprintf("at most %d", maxReadSheets))
		}
		s, err := r.sheet(name)
		if err != nil {
			return nil, err
		}
		wb.Sheets = append(wb.Sheets, *s)
	}
	return wb, nil
}

// weigh looks at a file before it is taken apart.
func weigh(content []byte) (*measurer, error) {
	switch {
	case len(content) > MaxReadBytes:
		return nil, unreadable(fmt.Sprintf("%d bytes", len(content)), fmt.Sprintf("at most %d; take out pictures and sheets that are not needed", MaxReadBytes))
	case bytes.HasPrefix(content, []byte{0xd0, 0xcf, 0x11, 0xe0}):
		return nil, unreadable("a workbook that is protected by a password, or of the old kind (.xls)", "a workbook saved as .xlsx, without a password")
	}
	z, err := zip.NewReader(bytes.NewReader(content), int64(len(content)))
	if err != nil {
		return nil, unreadable("a file that is no workbook", "a workbook saved as .xlsx")
	}
	if len(z.File) > maxParts {
		return nil, unreadable(fmt.Sprintf("%d parts in the file", len(z.File)), fmt.Sprintf("at most %d", maxParts))
	}
	m := &measurer{left: maxUnpackedBytes}
	workbook := false
	for _, part := range z.File {
		name := strings.ToLower(strings.ReplaceAll(part.Name, "\\", "/"))
		workbook = workbook || name == "xl/workbook.xml"
		if strings.HasPrefix(path.Base(name), "vbaproject") || strings.Contains(name, "macrosheets/") {
			return nil, unreadable("a workbook with macros", "a workbook without any, saved as .xlsx")
		}
		if err := m.part(part, name); err != nil {
			return nil, err
		}
	}
	if !workbook {
		return nil, unreadable("a file that is no XLSX workbook", "a workbook saved as .xlsx")
	}
	return m, nil
}

// measurer counts what a file would unpack to.
type measurer struct {
	left     int64
	cells    int
	widest   int // column
	formulas int
}

// part unpacks one part into nothing, however long it says it is, and looks at where the cells of a sheet lie.
func (m *measurer) part(part *zip.File, name string) error {
	broken := func(err error) error {
		return unreadable(fmt.Sprintf("a part that can not be read (%s: %v)", clippedName(part.Name), err), "a workbook saved by a spreadsheet program; open it and save it again")
	}
	in, err := part.Open()
	if err != nil {
		return broken(err)
	}
	defer in.Close()
	counted := &countedReader{in: in, left: m.left}
	if strings.HasPrefix(name, "xl/worksheets/") && strings.HasSuffix(name, ".xml") {
		err = m.sheet(counted, part.Name)
	}
	if err == nil {
		_, err = io.Copy(io.Discard, counted)
	}
	m.left = counted.left
	var told *cells.Problems
	switch {
	case errors.Is(err, errTooLarge):
		return unreadable("a workbook that is far larger unpacked", fmt.Sprintf("at most %d bytes unpacked", int64(maxUnpackedBytes)))
	case errors.As(err, &told):
		return told
	case err != nil:
		return broken(err)
	}
	return nil
}

var errTooLarge = errors.New("too large unpacked")

type countedReader struct {
	in   io.Reader
	left int64
}

// Read reads no more than is left.
func (c *countedReader) Read(p []byte) (int, error) {
	n, err := c.in.Read(p)
	if c.left -= int64(n); c.left < 0 {
		return 0, errTooLarge
	}
	return n, err
}

// sheet walks the XML of a sheet and refuses cells that lie outside of what is read.
func (m *measurer) sheet(in io.Reader, name string) error {
	d := xml.NewDecoder(in)
	row, merged := 0, 0
	for {
		t, err := d.RawToken()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		e, ok := t.(xml.StartElement)
		if !ok {
			continue
		}
		switch e.Name.Local {
		case "row":
			if row++; attribute(e, "r") != "" {
				row, err = strconv.Atoi(attribute(e, "r"))
			}
			if err != nil || row < 1 || row > maxReadRows {
				return unreadable(fmt.Sprintf("row %s of %s", attribute(e, "r"), clippedName(name)), fmt.Sprintf("rows 1 to %d; delete what stands below the form", maxReadRows))
			}
		case "c":
			m.cells++
			_, column, ok := placeOf(attribute(e, "r"))
			if m.cells > maxReadCells || ok && column > maxReadColumns || !ok && attribute(e, "r") != "" {
				return unreadable(fmt.Sprintf("cell %s of %s, the %d-th", clippedName(attribute(e, "r")), clippedName(name), m.cells),
					fmt.Sprintf("at most %d columns and %d cells; delete what stands beside the form", maxReadColumns, maxReadCells))
			}
			m.widest = max(m.widest, column)
		case "f":
			m.formulas++
		case "mergeCell":
			merged++
			if _, ok := rangeOf(attribute(e, "ref")); !ok || merged > maxMerged {
				return unreadable("merged cells "+clippedName(attribute(e, "ref"))+" in "+clippedName(name), "cells of the form, not merged")
			}
		}
	}
}

func clippedName(s string) string { return fmt.Sprintf("%.60q", s) }

func attribute(e xml.StartElement, name string) string {
	for _, a := range e.Attr {
		if a.Name.Local == name && a.Name.Space == "" {
			return a.Value
		}
	}
	return ""
}

var reference = regexp.MustCompile(`^([A-Z]{1,3})([1-9][0-9]{0,6})$`)

// placeOf reads the reference of a cell.
func placeOf(ref string) (row, column int, ok bool) {
	m := reference.FindStringSubmatch(ref)
	if m == nil {
		return 0, 0, false
	}
	for _, letter := range m[1] {
		column = column*26 + int(letter-'A') + 1
	}
	row, err := strconv.Atoi(m[2])
	return row, column, err == nil
}

// rangeOf reads a range that lies within what is read. Ranges over whole rows are cut to that.
func rangeOf(ref string) (cells.Range, bool) {
	first, last, two := strings.Cut(ref, ":")
	if !two {
		last = first
	}
	var g cells.Range
	var ok, ok2 bool
	g.FirstRow, g.FirstColumn, ok = placeOf(first)
	g.LastRow, g.LastColumn, ok2 = placeOf(last)
	return g, ok && ok2 && g.LastRow <= maxReadRows && g.LastColumn <= maxReadColumns && g.FirstRow <= g.LastRow && g.FirstColumn <= g.LastColumn
}

// reader takes a workbook apart.
type reader struct {
	f       *excelize.File
	formats map[int]bool // by style, whether it shows a number as a date or time
	epoch   float64
	widest  int // column to look for formulas in, which may come to nothing yet; 0 where there are none
}

func (r *reader) sheet(name string) (*cells.Sheet, error) {
	broken := func(err error) error {
		return unreadable("the sheet "+clippedName(name)+", which can not be read: "+err.Error(), "a workbook saved by a spreadsheet program; open it and save it again")
	}
	s := &cells.Sheet{Name: name}
	rows, err := r.f.GetRows(name, excelize.Options{RawCellValue: true})
	if err != nil {
		return nil, broken(err)
	}
	for k := range rows {
		found := make([]cells.Cell, max(len(rows[k]), r.widest))
		for c := range found {
			text := ""
			if c < len(rows[k]) {
				text = rows[k][c]
			}
			if found[c], err = r.cell(name, cells.Ref(k+1, c+1), text); err != nil {
				return nil, broken(err)
			}
		}
		s.Rows = append(s.Rows, found)
	}
	merged, err := r.f.GetMergeCells(name, true)
	if err != nil {
		return nil, broken(err)
	}
	for _, m := range merged {
		if g, ok := rangeOf(m.GetStartAxis() + ":" + m.GetEndAxis()); ok {
			s.Merged = append(s.Merged, g)
		}
	}
	return s, nil
}

// cell says what a cell holds, of which text is what the file has.
func (r *reader) cell(sheet, ref, text string) (cells.Cell, error) {
	if r.widest > 0 {
		formula, err := r.f.GetCellFormula(sheet, ref)
		if err != nil {
			return cells.Cell{}, err
		}
		switch strings.ToUpper(formula) {
		case "":
		case "TRUE()", "FALSE()": // as some programs write yes and no
			return cells.Cell{Kind: cells.Truth, Text: strings.ToLower(strings.TrimSuffix(formula, "()"))}, nil
		default:
			return cells.Cell{Kind: cells.Formula, Text: formula}, nil
		}
	}
	if text == "" {
		return cells.Cell{}, nil
	}
	if len(text) > maxCellText {
		return cells.Cell{}, fmt.Errorf("cell %s has %d bytes of text, at most %d are read", ref, len(text), maxCellText)
	}
	kind, err := r.f.GetCellType(sheet, ref)
	if err != nil {
		return cells.Cell{}, err
	}
	switch kind {
	case excelize.CellTypeBool:
		return cells.Cell{Kind: cells.Truth, Text: strconv.FormatBool(text == "1" || strings.EqualFold(text, "true"))}, nil
	case excelize.CellTypeError:
		return cells.Cell{Kind: cells.Broken, Text: text}, nil
	case excelize.CellTypeInlineString, excelize.CellTypeSharedString, excelize.CellTypeFormula:
		return cells.Cell{Kind: cells.Text, Text: text}, nil
	case excelize.CellTypeDate: // ISO 8601, which some programs write
		return cells.Cell{Kind: cells.Text, Text: text}, nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return cells.Cell{Kind: cells.Text, Text: text}, nil
	}
	moment, err := r.isMoment(sheet, ref)
	if err != nil {
		return cells.Cell{}, err
	}
	if !moment {
		return cells.Cell{Kind: cells.Number, Text: strconv.FormatFloat(v, 'f', -1, 64)}, nil
	}
	if v >= 1 {
		v += r.epoch
	}
	return cells.Cell{Kind: cells.Moment, Text: strconv.FormatFloat(v, 'f', -1, 64)}, nil
}

// isMoment reports whether a cell shows its number as a date or a time.
func (r *reader) isMoment(sheet, ref string) (bool, error) {
	id, err := r.f.GetCellStyle(sheet, ref)
	if err != nil {
		return false, err
	}
	if is, ok := r.formats[id]; ok {
		return is, nil
	}
	style, err := r.f.GetStyle(id)
	if err != nil {
		return false, err
	}
	is := momentFormat(style.NumFmt, style.CustomNumFmt)
	r.formats[id] = is
	return is, nil
}

var notLetters = regexp.MustCompile(`"[^"]*"|\\.|_.|\*.|\[[^\]]*\]`)

// momentFormat reports whether a number format is one of dates and times.
func momentFormat(id int, custom *string) bool {
	if custom != nil {
		if elapsed := strings.ToLower(*custom); strings.Contains(elapsed, "[h") || strings.Contains(elapsed, "[m") || strings.Contains(elapsed, "[s") {
			return true
		}
		first, _, _ := strings.Cut(notLetters.ReplaceAllString(*custom, ""), ";")
		return strings.ContainsAny(strings.ToLower(first), "ymdhs") && !strings.Contains(strings.ToLower(first), "general")
	}
	return slices.ContainsFunc([][2]int{{14, 22}, {27, 36}, {45, 47}, {50, 58}}, func(r [2]int) bool { return id >= r[0] && id <= r[1] })
}
