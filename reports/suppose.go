package reports

import (
	"maps"

	"spoilbook/events"
)

// Suppose returns the journal as it would be if the register were also revised as revisions say; it is for looking ahead, and the journal itself
// stays as it is. The positions of the revisions lie behind the journal's.
func (j *Journal) Suppose(revisions ...events.Recorded) *Journal {
	k := *j
	k.Book = j.Book.With(revisions)
	k.recorded = maps.Clone(j.recorded)
	for i := range revisions {
		k.recorded[revisions[i].Position] = &revisions[i]
		k.byRef = maps.Clone(k.byRef)
		k.byRef[revisions[i].Ref()] = revisions[i].Position
	}
	return &k
}

// Differences say how a document differs from an earlier one of the same report.
type Differences struct {
	Figures  []Differing // of the cover, and totals of tables
	Lines    int         // that are not the same, that came or that went
	Findings int         // more findings than before; fewer are negative
}

// Differing is a figure as it was and as it is.
type Differing struct{ Label, Was, Is string }

// Any reports whether there is a difference.
func (d *Differences) Any() bool { return len(d.Figures) > 0 || d.Lines > 0 || d.Findings != 0 }

// Differ compares two documents of one report and period.
func Differ(was, is *Document, p Period) Differences {
	d := Differences{Findings: len(is.Findings) - len(was.Findings)}
	before := map[string]string{}
	for _, f := range was.Glance {
		before[f.Label] = f.Text
	}
	for _, f := range is.Glance {
		if old, ok := before[f.Label]; !ok || old != f.Text {
			d.Figures = append(d.Figures, Differing{f.Label, old, f.Text})
		}
		delete(before, f.Label)
	}
	for _, f := range was.Glance {
		if old, gone := before[f.Label]; gone {
			d.Figures = append(d.Figures, Differing{Label: f.Label, Was: old})
		}
	}
	for i := range is.Tables {
		t := &is.Tables[i]
		if other := tableNamed(was, t.Name); other != nil {
			d.table(other, t, p)
		}
	}
	return d
}

func tableNamed(d *Document, name string) *Table {
	for i := range d.Tables {
		if d.Tables[i].Name == name {
			return &d.Tables[i]
		}
	}
	return nil
}

// table compares the totals and the lines of a table.
func (d *Differences) table(was, is *Table, p Period) {
	columns := min(len(was.Columns), len(is.Columns))
	if len(was.Totals) >= columns && len(is.Totals) >= columns {
		for c := range columns {
			old, now := was.Totals[c], is.Totals[c]
			if was.Columns[c].Key == is.Columns[c].Key && old != now {
				d.Figures = append(d.Figures, Differing{is.Title + ": " + is.Columns[c].Title, was.Columns[c].Shown(old, p), is.Columns[c].Shown(now, p)})
			}
		}
	}
	// Lines are counted by what they say, so that one more in the middle is one and not all that follow.
	count := map[string]int{}
	for row := range was.Rows {
		count[said(row.Cells)]++
	}
	came := 0
	for row := range is.Rows {
		if key := said(row.Cells); count[key] > 0 {
			count[key]--
		} else {
			came++
		}
	}
	went := 0
	for _, n := range count {
		went += n
	}
	d.Lines += max(came, went)
}

func said(cells []Cell) string {
	b := make([]byte, 0, 64)
	for _, c := range cells {
		b = append(b, c.Text...)
		b = append(b, 0)
		if !c.Empty {
			for v := uint64(c.Int); v > 0; v >>= 8 {
				b = append(b, byte(v))
			}
		}
		b = append(b, 1)
	}
	return string(b)
}
