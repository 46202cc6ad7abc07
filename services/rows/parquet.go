package rows

import (
	"encoding/hex"
	"io"

	"github.com/parquet-go/parquet-go"

	"spoilbook/services/ledger"
)

// A row group is held until it is written; it ends at so many rows, or so many bytes of events.
const (
	groupRows  = 20_000
	groupBytes = 16 << 20
)

// line is a row of Parquet; the order of its fields is that of [Columns].
type line struct {
	Position  uint64  `parquet:"position,zstd,delta"`
	Recorded  int64   `parquet:"recorded,zstd,delta,timestamp(millisecond:utc)"`
	Occurred  int64   `parquet:"occurred,zstd,delta,timestamp(millisecond:utc)"`
	Offset    int32   `parquet:"occurred_offset_min,zstd"`
	Source    string  `parquet:"source,zstd,dict"`
	Seq       uint64  `parquet:"seq,zstd,delta"`
	ID        string  `parquet:"id,zstd"`
	Kind      string  `parquet:"kind,zstd,dict"`
	Truck     *string `parquet:"truck,zstd,dict"`
	Job       *string `parquet:"job,zstd,dict"`
	Operator  *string `parquet:"operator,zstd,dict"`
	Origin    string  `parquet:"origin,zstd,dict"`
	Latitude  *int32  `parquet:"latitude_micro_deg,zstd"`
	Longitude *int32  `parquet:"longitude_micro_deg,zstd"`
	Hash      string  `parquet:"hash,zstd"`
	Event     string  `parquet:"event,zstd"`
}

// groups writes Parquet.
type groups struct {
	file        *parquet.GenericWriter[line]
	batch       []line
	rows, bytes int // of the group that is open
}

func newParquet(w io.Writer) *groups {
	return &groups{file: parquet.NewGenericWriter[line](w, parquet.CreatedBy("spoilbook", "1", "rows"))}
}

// Write writes a row for each event.
func (g *groups) Write(page []ledger.Stored) error {
	for i := range page {
		g.batch = append(g.batch[:0], lineOf(&page[i]))
		if _, err := g.file.Write(g.batch); err != nil {
			return failed("parquet", page[i].Position, err)
		}
		g.rows, g.bytes = g.rows+1, g.bytes+len(page[i].Body)
		if g.rows < groupRows && g.bytes < groupBytes {
			continue
		}
		if err := g.file.Flush(); err != nil {
			return failed("parquet", page[i].Position, err)
		}
		g.rows, g.bytes = 0, 0
	}
	return nil
}

// Close writes the last group and the end of the file.
func (g *groups) Close() error { return g.file.Close() }

func lineOf(e *ledger.Stored) line {
	l := line{Position: e.Position, Recorded: e.Recorded.UnixMilli(), Occurred: e.Event.Occurred.UnixMS, Offset: int32(e.Event.Occurred.OffsetMinutes),
		Source: string(e.Event.Source), Seq: e.Event.Seq, ID: e.Event.ID, Kind: string(e.Event.Kind()), Truck: said(string(e.Event.Truck)), Job: said(string(e.Event.Job)),
		Operator: said(string(e.Event.Operator)), Origin: string(e.Event.Origin), Hash: hex.EncodeToString(e.Hash[:]), Event: string(e.Body)}
	if p := e.Event.Place; p != nil {
		lat, long := int32(p.LatitudeMicroDeg), int32(p.LongitudeMicroDeg) // within 180 degrees, so within 32 bits
		l.Latitude, l.Longitude = &lat, &long
	}
	return l
}

// said returns nil for what an event does not say.
func said(text string) *string {
	if text == "" {
		return nil
	}
	return &text
}
