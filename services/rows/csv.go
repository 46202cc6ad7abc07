package rows

import (
	"encoding/csv"
	"encoding/hex"
	"io"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// timeLayout is RFC 3339 in UTC to the millisecond.
const timeLayout = "2006-01-02T15:04:05.000Z07:00"

// table writes CSV.
type table struct {
	csv *csv.Writer
	row []string
}

func newTable(w io.Writer) (*table, error) {
	t := &table{csv: csv.NewWriter(w)}
	t.csv.UseCRLF = true
	for _, c := range Columns() {
		t.row = append(t.row, c.Key)
	}
	return t, t.csv.Write(t.row)
}

// Write writes a row for each event.
func (t *table) Write(page []ledger.Stored) error {
	for i := range page {
		e := &page[i]
		lat, long := "", ""
		if p := e.Event.Place; p != nil {
			lat, long = strconv.FormatInt(p.LatitudeMicroDeg, 10), strconv.FormatInt(p.LongitudeMicroDeg, 10)
		}
		t.row = append(t.row[:0], strconv.FormatUint(e.Position, 10), e.Recorded.UTC().Format(timeLayout), instant(e.Event.Occurred).Format(timeLayout),
			strconv.Itoa(int(e.Event.Occurred.OffsetMinutes)), string(e.Event.Source), strconv.FormatUint(e.Event.Seq, 10), inert(e.Event.ID), string(e.Event.Kind()),
			string(e.Event.Truck), string(e.Event.Job), string(e.Event.Operator), string(e.Event.Origin), lat, long, hex.EncodeToString(e.Hash[:]), string(e.Body))
		if err := t.csv.Write(t.row); err != nil {
			return failed("csv", e.Position, err)
		}
	}
	return nil
}

// Close writes what is left.
func (t *table) Close() error {
	t.csv.Flush()
	return t.csv.Error()
}

func instant(t events.Time) time.Time { return time.UnixMilli(t.UnixMS).UTC() }

// inert keeps spreadsheets from taking an id for a formula.
func inert(id string) string {
	if id != "" && strings.IndexByte("=+-@'", id[0]) >= 0 {
		return "'" + id
	}
	return id
}
