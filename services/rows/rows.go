// Package rows writes recorded events as rows for other tools: CSV for everything that reads tables, Parquet for whatever reckons over many
// rows. A row is an event; its columns are the same in both. For example, the unloading of a truck as a row of CSV, its last two columns cut:
//
//	position,recorded,occurred,occurred_offset_min,source,seq,id,kind,truck,job,operator,origin,latitude_micro_deg,longitude_micro_deg,hash,event
//	412,2026-10-05T14:02:11.480Z,2026-10-05T14:02:09.000Z,60,/truck/TM-01,97,TM-01-000097,spoil.tipped,TM-01,J-101,OP-1,controller,,,8f43…,"{""data"":…
//
// The column event holds the canonical bytes of the event and hash its leaf hash (RFC 6962), SHA-256 over a zero byte and those bytes, so that
// whoever has the rows can prove that they are what was recorded. Rows come in the order of their positions. Writers hold a bounded number
// of rows, however many are written. [Columns] says what stands in each column.
//
// Parquet is written with Zstandard, times as timestamps in UTC to the millisecond, what an event does not say as null. CSV is RFC 4180 in
// UTF-8, times as RFC 3339 in UTC, and what an event does not say as nothing. Because spreadsheets take some texts for formulas, an id that
// begins with = + - @ or an apostrophe has an apostrophe before it in CSV; the column event has it as it is.
package rows

import (
	"fmt"
	"io"
	"strings"

	"spoilbook/services/ledger"
)

// Column is a column of every format.
type Column struct {
	Key  string // its name in the file
	Type string // as SQL engines know it, in Parquet
	Says string // what stands in it, with its unit
}

// Columns lists the columns in their order. Their keys are never renamed, and new ones come last.
func Columns() []Column {
	return []Column{
		{"position", "UINT64", "place in the ledger, dense from 1"},
		{"recorded", "TIMESTAMP", "when the ledger stored it, UTC, to the millisecond"},
		{"occurred", "TIMESTAMP", "when it happened by the clock of its source, UTC, to the millisecond"},
		{"occurred_offset_min", "INT32", "minutes by which that clock was ahead of UTC"},
		{"source", "STRING", "who counted it, such as /truck/TM-01"},
		{"seq", "UINT64", "number that the source gave it, counted from 1"},
		{"id", "STRING", "identifier that the source gave it"},
		{"kind", "STRING", "what happened, such as load.collected"},
		{"truck", "STRING", "the truck concerned, null where none is"},
		{"job", "STRING", "the job concerned, null where none is"},
		{"operator", "STRING", "the operator concerned, null where none is"},
		{"origin", "STRING", "how it came to be written down: controller, crew, office or file"},
		{"latitude_micro_deg", "INT32", "where, in millionths of a degree north (WGS 84), null where that is not said"},
		{"longitude_micro_deg", "INT32", "where, in millionths of a degree east (WGS 84), null where that is not said"},
		{"hash", "STRING", "RFC 6962 leaf hash of the column event, 64 hexadecimal digits"},
		{"event", "STRING", "the event itself, a CloudEvent as canonical JSON (RFC 8785)"},
	}
}

// Described lists the columns in Markdown, a line for each.
func Described() string {
	var b strings.Builder
	for _, c := range Columns() {
		fmt.Fprintf(&b, "- `%s` %s: %s\n", c.Key, c.Type, c.Says)
	}
	return b.String()
}

// Writer takes events in the order of their positions.
type Writer interface {
	// Write writes a row for each event; the events are not kept.
	Write(page []ledger.Stored) error
	// Close writes what ends the file; it does not close what is beneath.
	Close() error
}

// Formats lists the formats by their names, which are the endings of their files too.
func Formats() []string { return []string{"csv", "parquet"} }

// MediaType returns the media type of a format.
func MediaType(format string) string {
	if format == "parquet" {
		return "application/vnd.apache.parquet"
	}
	return "text/csv; charset=utf-8"
}

// New returns a writer of one of [Formats], which begins the file.
func New(w io.Writer, format string) (Writer, error) {
	switch format {
	case "csv":
		return newTable(w)
	case "parquet":
		return newParquet(w), nil
	}
	return nil, ledger.Fail(ledger.BadRequest, "events as rows: found the format %q; allowed: %s", format, strings.Join(Formats(), ", "))
}

// failed says which row could not be written.
func failed(format string, position uint64, err error) error {
	return fmt.Errorf("events as %s, position %d: %w", format, position, err)
}
