package sheets

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"sort"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"

	"spoilbook/events"
	"spoilbook/reports"
)

// Behind is what stands behind a report's lines; each may be nil. Cited gives the events in position order and is walked once. Workings says
// how lines came about.
type Behind struct {
	Cited    iter.Seq[*events.Recorded]
	Workings reports.Explainer
}

// Workbook writes d to w as an XLSX workbook (ISO/IEC 29500), with a sheet of the events behind its lines and one of how they came about.
// Explanations are asked for twice, first to know where they will stand. But for eight bytes for every line that is explained, memory does not grow with the number of rows: sheets and the archive go through temporary files, which are removed. One
// sheet can be 4 GiB large before compression, which the rows of a report stay far below. It stops soon after ctx is done. What was
// written to w before an error is no workbook.
func Workbook(ctx context.Context, w io.Writer, d reports.Document, p Provenance, behind Behind) error {
	return writeWorkbook(ctx, w, d, p, behind, limits{sheetRows: excelize.TotalRows, measuredRows: measuredRows})
}

// limits are the sizes that tests make small.
type limits struct {
	sheetRows    int // rows of one sheet
	measuredRows int
}

// book is a workbook being written.
type book struct {
	ctx        context.Context
	file       *excelize.File
	document   *reports.Document
	provenance *Provenance
	limits     limits
	styles     *styler
	sheetNames *names
	rangeNames *names
	places     map[string]*place // by table name
	contents   []contentLine
	workings   *workings   // nil where no line is explained
	named      []namedCell // for formulas
	cautions   []string    // what came up while writing, for the cover
}

// contentLine is a line of the cover's list of sheets.
type contentLine struct{ sheet, title, detail string }

// place says where a table's rows are.
type place struct {
	table *reports.Table
	keys  []string // of the columns, in the order of the sheets
	parts []part
	rows  int
}

// column returns the number, from 0, of the column with a key.
func (p *place) column(key string) int { return slices.Index(p.keys, key) }

// part is the rows of a table on one sheet; last is below first when there are none.
type part struct {
	sheet       string
	first, last int
}

func writeWorkbook(ctx context.Context, w io.Writer, d reports.Document, p Provenance, behind Behind, l limits) (err error) {
	if err := validate(&d, &p); err != nil {
		return err
	}
	d = p.Tongue.Document(d)
	f := excelize.NewFile()
	defer func() { err = errors.Join(err, f.Close()) }()
	b := &book{ctx: ctx, file: f, document: &d, provenance: &p, limits: l, styles: newStyler(f), places: map[string]*place{},
		rangeNames: newNames()}
	b.sheetNames = newNames(b.say(coverSheet), b.say(guideSheet), b.say(chartsSheet), b.say(findingsSheet), b.say(eventsSheet), b.say(workingsSheet))
	if err := b.fill(behind); err != nil {
		return fmt.Errorf("workbook %s: %w", d.Report, err)
	}
	if types := f.ContentTypes; types != nil {
		// The library adds the types of images in no fixed order.
		sort.SliceStable(types.Defaults, func(i, j int) bool { return types.Defaults[i].Extension < types.Defaults[j].Extension })
	}
	a, err := newArchive(ctx, w)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, a.discard()) }()
	f.SetZipWriter(func(io.Writer) excelize.ZipWriter { return a })
	if err := f.Write(io.Discard); err != nil {
		return fmt.Errorf("workbook %s: write: %w", d.Report, err)
	}
	return nil
}

// fill makes all sheets, in the order of their tabs: what most people need first, long lists last.
func (b *book) fill(behind Behind) error {
	if err := b.file.SetSheetName("Sheet1", b.say(coverSheet)); err != nil {
		return err
	}
	if err := b.properties(); err != nil {
		return err
	}
	if err := b.locate(behind.Workings); err != nil {
		return err
	}
	if err := b.tables(false); err != nil {
		return err
	}
	if len(b.document.Pictures) > 0 { // here is its place; it is filled when the tables have theirs
		if err := b.newSheet(b.say(chartsSheet), pageFit{landscape: true}); err != nil {
			return err
		}
	}
	findings := findingsTable(b.document, b.provenance.Tongue)
	if err := b.table(&findings, b.say(findingsSheet), dress{severities: true}); err != nil {
		return err
	}
	if err := b.tables(true); err != nil {
		return err
	}
	if err := b.writeWorkings(); err != nil {
		return err
	}
	if behind.Cited != nil {
		list := b.provenance.Tongue.Table(eventsTable(behind.Cited))
		if err := b.table(&list, b.say(eventsSheet), dress{exactTimes: true}); err != nil {
			return err
		}
	}
	if len(b.document.Pictures) > 0 {
		if err := b.pictures(); err != nil {
			return err
		}
	}
	if err := b.guide(); err != nil {
		return err
	}
	return b.cover()
}

// tables writes the tables that are backing lists, or those that are not.
func (b *book) tables(backing bool) error {
	for i := range b.document.Tables {
		if t := &b.document.Tables[i]; t.Backing == backing {
			if err := b.table(t, b.sheetNames.sheet(b.say(t.Name)), dress{}); err != nil {
				return err
			}
		}
	}
	return nil
}

// say returns a text in the language of the workbook.
func (b *book) say(key string, args ...any) string { return b.provenance.Tongue.Write(key, args...) }

// counted writes "1 line", "1,204 lines" in the language of the workbook.
func (b *book) counted(n int, noun string) string { return countedIn(b.provenance.Tongue, n, noun) }

// properties sets what file managers show. The times are the export's own, never the clock's.
func (b *book) properties() error {
	at := b.provenance.At.UTC().Format(time.RFC3339)
	err := b.file.SetDocProps(&excelize.DocProperties{
		Title: cellText(b.document.Title), Subject: cellText(b.provenance.Carrier + ", " + b.provenance.periodText()),
		Creator: cellText(b.provenance.By), LastModifiedBy: cellText(b.provenance.By), Created: at, Modified: at,
		Description: b.say("Ledger position %d", b.provenance.Position), Identifier: "xlsx", Language: b.provenance.Tongue.Code(), Revision: "1", Version: "1.0",
	})
	if err != nil {
		return err
	}
	return b.file.SetAppProps(&excelize.AppProperties{Application: cellText(b.provenance.Program)})
}

// newSheet adds a sheet without grid lines, set up to print.
func (b *book) newSheet(name string, p pageFit) error {
	if i, err := b.file.GetSheetIndex(name); err != nil {
		return err
	} else if i < 0 {
		if _, err := b.file.NewSheet(name); err != nil {
			return err
		}
	}
	if err := b.file.SetSheetView(name, -1, &excelize.ViewOptions{ShowGridLines: ptr(false)}); err != nil {
		return err
	}
	if err := b.file.SetSheetProps(name, &excelize.SheetPropsOptions{FitToPage: ptr(p.scale == 0)}); err != nil {
		return err
	}
	return b.printSetup(name, p)
}

// paperA4 is ISO A4 in the list of paper sizes of ISO/IEC 29500.
const paperA4 = 9

func (b *book) printSetup(sheet string, page pageFit) error {
	layout := excelize.PageLayoutOptions{Size: ptr(paperA4), Orientation: ptr("portrait")}
	if page.landscape {
		layout.Orientation = ptr("landscape")
	}
	if page.scale == 0 {
		layout.FitToWidth, layout.FitToHeight = ptr(1), ptr(0)
	} else {
		layout.AdjustTo = ptr(uint(page.scale))
	}
	err := b.file.SetPageLayout(sheet, &layout)
	if err != nil {
		return err
	}
	err = b.file.SetPageMargins(sheet, &excelize.PageLayoutMarginsOptions{Left: ptr(0.45), Right: ptr(0.45), Top: ptr(0.75), Bottom: ptr(0.65),
		Header: ptr(0.35), Footer: ptr(0.3)})
	if err != nil {
		return err
	}
	p := b.provenance
	return b.file.SetHeaderFooter(sheet, &excelize.HeaderFooterOptions{
		ScaleWithDoc: ptr(false), AlignWithMargins: ptr(true),
		OddHeader: "&L&9" + printText(b.document.Title, 80) + "&R&9" + printText(p.Carrier, 60),
		OddFooter: "&L&9" + printText(p.periodText()+", "+b.say("times in %s", p.zone()), 80) + ", " + b.say("ledger position %d", p.Position) + "&R&9&A, " + b.say("page &P of &N"),
	})
}

// printText returns s for a page header, whose codes begin with an ampersand, cut to limit characters. A digit after the font size would
// join it, so a space keeps them apart.
func printText(s string, limit int) string {
	r := []rune(strings.ReplaceAll(cellText(s), "\n", " "))
	if len(r) > limit {
		r = append(r[:limit-1], '…')
	}
	return " " + strings.ReplaceAll(string(r), "&", "&&")
}

// metaLine is what each sheet says of itself below its title, for when it is printed or copied alone.
func (b *book) metaLine() string {
	p := b.provenance
	return cellText(strings.Join(slices.DeleteFunc([]string{p.Carrier, p.periodText(), b.say("times in %s", p.zone()),
		b.say("ledger position %d", p.Position)}, func(s string) bool { return s == "" }), "  ·  "))
}

func ptr[T any](v T) *T { return &v }
