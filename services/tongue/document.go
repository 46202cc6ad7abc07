package tongue

import (
	"slices"

	"spoilbook/reports"
)

// Document returns a report with its fixed texts in this language: titles, headings, notes, what settles a finding. Sentences that the report
// composes from figures stay in English, and so do codes, the names of tables and the keys of columns, by which programs find them.
func (t Tongue) Document(d reports.Document) reports.Document {
	if t.Code() == English {
		return d
	}
	d.Title = t.Write(d.Title)
	d.Glance, d.Subject = t.fields(d.Glance), t.fields(d.Subject)
	d.Notes = slices.Clone(d.Notes)
	for i := range d.Notes {
		d.Notes[i] = t.Write(d.Notes[i])
	}
	d.Tables = slices.Clone(d.Tables)
	for i := range d.Tables {
		d.Tables[i] = t.Table(d.Tables[i])
	}
	d.Pictures = slices.Clone(d.Pictures)
	for i := range d.Pictures {
		d.Pictures[i].Title, d.Pictures[i].Alt = t.Write(d.Pictures[i].Title), t.Write(d.Pictures[i].Alt)
	}
	d.Findings = slices.Clone(d.Findings)
	for i := range d.Findings {
		d.Findings[i].Settle = t.Write(d.Findings[i].Settle)
	}
	return d
}

// Table returns a table with its fixed texts in this language.
func (t Tongue) Table(table reports.Table) reports.Table {
	table.Title, table.Note, table.Empty = t.Write(table.Title), t.Write(table.Note), t.Write(table.Empty)
	table.Columns = slices.Clone(table.Columns)
	for i := range table.Columns {
		table.Columns[i].Title = t.Write(table.Columns[i].Title)
	}
	return table
}

func (t Tongue) fields(list []reports.Field) []reports.Field {
	list = slices.Clone(list)
	for i := range list {
		list[i].Label = t.Write(list[i].Label)
	}
	return list
}
