package rows_test

import (
	"bytes"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
	"spoilbook/services/rigtest"
	"spoilbook/services/rows"
)

// month is the invented month as a ledger gives it back, with an event whose id a spreadsheet would take for a formula.
func month(t testing.TB) []ledger.Stored {
	t.Helper()
	m, err := demo.Build()
	if err != nil {
		t.Fatal(err)
	}
	var list []events.Event
	for _, b := range m.Batches {
		list = append(list, b.Events...)
	}
	odd := list[len(list)-1]
	odd.ID, odd.Place = "=1+1", &events.Place{LatitudeMicroDeg: -53_123_456, LongitudeMicroDeg: 7_000_001}
	list = append(list, odd)
	out := make([]ledger.Stored, len(list))
	for i := range list {
		body, err := wire.Encode(&list[i])
		if err != nil {
			t.Fatal(err)
		}
		at := time.UnixMilli(list[i].Occurred.UnixMS + int64(i)).UTC()
		out[i] = ledger.Stored{Event: list[i], Record: ledger.Record{Position: uint64(i + 1), Recorded: at, Body: body, Hash: chain.LeafHash(body)}}
	}
	return out
}

// written writes pages of unlike sizes.
func written(t testing.TB, format string, list []ledger.Stored) []byte {
	t.Helper()
	var out bytes.Buffer
	w, err := rows.New(&out, format)
	for page := range slices.Chunk(list, 333) {
		err = errors.Join(err, w.Write(page))
	}
	if err = errors.Join(err, w.Close()); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// asked has the engine answer a query in tab-separated form, raw.
func asked(t testing.TB, client *http.Client, query string) string {
	t.Helper()
	res, err := client.Post("http://engine.local/?"+url.Values{"default_format": {"TabSeparatedRaw"}}.Encode(), "text/plain", strings.NewReader(query))
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(res.Body)
	if err = errors.Join(err, res.Body.Close()); err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s %v %s", query, res.Status, err, body)
	}
	return string(body)
}

func openEngine(t testing.TB) *http.Client {
	t.Helper()
	return &http.Client{Transport: rigtest.Engine(t).Transport()}
}

// wanted is every row as the query below has the engine say it.
func wanted(list []ledger.Stored, id func(string) string) string {
	var b strings.Builder
	for i := range list {
		e := &list[i]
		lat, long := "-", "-"
		if p := e.Event.Place; p != nil {
			lat, long = fmt.Sprint(p.LatitudeMicroDeg), fmt.Sprint(p.LongitudeMicroDeg)
		}
		or := func(s string) string {
			if s == "" {
				return "-"
			}
			return s
		}
		fmt.Fprintf(&b, "%d|%d|%d|%d|%s|%d|%s|%s|%s|%s|%s|%s|%s|%s|%s|%s\n", e.Position, e.Recorded.UnixMilli(), e.Event.Occurred.UnixMS, e.Event.Occurred.OffsetMinutes,
			e.Event.Source, e.Event.Seq, id(e.Event.ID), e.Event.Kind(), or(string(e.Event.Truck)), or(string(e.Event.Job)), or(string(e.Event.Operator)), e.Event.Origin,
			lat, long, hex.EncodeToString(e.Hash[:]), e.Body)
	}
	return b.String()
}

const eachRow = `SELECT concatWithSeparator('|', toString(position), toString(toUnixTimestamp64Milli(toDateTime64(recorded, 3, 'UTC'))),
 toString(toUnixTimestamp64Milli(toDateTime64(occurred, 3, 'UTC'))), toString(occurred_offset_min), source, toString(seq), id, kind,
 ifNull(truck, '-'), ifNull(job, '-'), ifNull(operator, '-'), origin, ifNull(toString(latitude_micro_deg), '-'), ifNull(toString(longitude_micro_deg), '-'), hash, event)
 FROM %s ORDER BY position`

// sameRows compares row by row, so that a difference can be read.
func sameRows(t *testing.T, have, want string) {
	t.Helper()
	h, w := strings.Split(have, "\n"), strings.Split(want, "\n")
	if len(h) != len(w) || len(w) < 500 {
		t.Errorf("%d rows, want %d", len(h), len(w))
	}
	for i := range min(len(h), len(w)) {
		if h[i] != w[i] {
			t.Fatalf("row %d is\n%s\nwant\n%s", i+1, h[i], w[i])
		}
	}
}

// Parquet and CSV of the whole month, read by ClickHouse, say of every event what the ledger says, and the hash of each can be reckoned again
// from its row.
func TestOthersReadWhatIsRecorded(t *testing.T) {
	list, client := month(t), openEngine(t)
	for format, source := range map[string]string{
		"parquet": "file('%s', 'Parquet')",
		"csv": "file('%s', 'CSVWithNames', 'position UInt64, recorded String, occurred String, occurred_offset_min Int32, source String, seq UInt64, id String, kind String, " +
			"truck Nullable(String), job Nullable(String), operator Nullable(String), origin String, latitude_micro_deg Nullable(Int32), longitude_micro_deg Nullable(Int32), hash String, event String')",
	} {
		t.Run(format, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "events."+format)
			if err := os.WriteFile(path, written(t, format, list), 0o600); err != nil {
				t.Fatal(err)
			}
			source, query, id := fmt.Sprintf(source, path), eachRow, func(s string) string { return s }
			if format == "csv" {
				query = strings.NewReplacer("toDateTime64(recorded,", "parseDateTime64BestEffort(recorded,", "toDateTime64(occurred,", "parseDateTime64BestEffort(occurred,",
					"ifNull(truck", "ifNull(nullIf(truck, '')", "ifNull(job", "ifNull(nullIf(job, '')", "ifNull(operator", "ifNull(nullIf(operator, '')").Replace(query)
				id = func(s string) string { return strings.Replace(s, "=1", "'=1", 1) }
			}
			sameRows(t, asked(t, client, fmt.Sprintf(query, source)), wanted(list, id))
			proof := "SELECT count(), countIf(lower(hex(SHA256(concat(char(0), event)))) = hash) FROM " + source
			if got, want := asked(t, client, proof), fmt.Sprintf("%d\t%d\n", len(list), len(list)); got != want {
				t.Errorf("rows and rows whose hash is right: %q, want %q", got, want)
			}
		})
	}
}

// The columns of both formats are those that are described, in their order and of their types.
func TestColumns(t *testing.T) {
	list, client := month(t)[:1], openEngine(t)
	var keys []string
	types := map[string]string{"UINT64": "UInt64", "INT32": "Int32", "STRING": "String", "TIMESTAMP": "DateTime64(3, 'UTC')"}
	var described strings.Builder
	for _, c := range rows.Columns() {
		keys = append(keys, c.Key)
		kind := types[c.Type]
		if strings.Contains(c.Says, "null where") {
			kind = "Nullable(" + kind + ")"
		}
		fmt.Fprintf(&described, "%s %s\n", c.Key, kind)
	}
	head, err := csv.NewReader(bytes.NewReader(written(t, "csv", list))).Read()
	if err != nil || !reflect.DeepEqual(head, keys) {
		t.Errorf("CSV begins with %q, %v, want %q", head, err, keys)
	}
	path := filepath.Join(t.TempDir(), "one.parquet")
	if err := os.WriteFile(path, written(t, "parquet", list), 0o600); err != nil {
		t.Fatal(err)
	}
	have := ""
	for line := range strings.Lines(asked(t, client, fmt.Sprintf("DESCRIBE file('%s', 'Parquet')", path))) {
		f := strings.Split(strings.TrimRight(line, "\n"), "\t")
		have += f[0] + " " + f[1] + "\n"
	}
	if have != described.String() {
		t.Errorf("Parquet has\n%swant\n%s", have, described.String())
	}
}

// A file without an event is a whole file.
func TestNothingIsAWholeFile(t *testing.T) {
	client := openEngine(t)
	for format, as := range map[string]string{"parquet": "'Parquet'", "csv": "'CSVWithNames', 'position UInt64'"} {
		path := filepath.Join(t.TempDir(), "none."+format)
		if err := os.WriteFile(path, written(t, format, nil), 0o600); err != nil {
			t.Fatal(err)
		}
		if got := asked(t, client, fmt.Sprintf("SELECT count() FROM file('%s', %s)", path, as)); got != "0\n" {
			t.Errorf("%s: %q rows", format, got)
		}
	}
}

// hollow counts what is written and keeps nothing.
type hollow struct{ n, largest int }

func (h *hollow) Write(b []byte) (int, error) {
	h.n, h.largest = h.n+len(b), max(h.largest, len(b))
	return len(b), nil
}

// Rows go out while more come in: of a long ledger only a group is held.
func TestRowsGoOutAsTheyCome(t *testing.T) {
	list := month(t)
	for _, format := range rows.Formats() {
		out := &hollow{}
		w, err := rows.New(out, format)
		if err != nil {
			t.Fatal(err)
		}
		before, rounds := 0, 0
		for n := 0; n < 60_000; n += len(list) {
			if err := w.Write(list); err != nil {
				t.Fatal(err)
			}
			if out.n > before {
				before, rounds = out.n, rounds+1
			}
		}
		if rounds < 3 {
			t.Errorf("%s: bytes went out %d times before the end", format, rounds)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// full takes some bytes and then no more.
type full struct{ left int }

func (f *full) Write(b []byte) (int, error) {
	if f.left -= len(b); f.left < 0 {
		return 0, io.ErrShortWrite
	}
	return len(b), nil
}

func TestAFullDiskIsAnError(t *testing.T) {
	list := month(t)
	for _, format := range rows.Formats() {
		w, err := rows.New(&full{left: 100}, format)
		for n := 0; n < 60_000 && err == nil; n += len(list) {
			err = w.Write(list)
		}
		if err == nil {
			err = w.Close()
		}
		if !errors.Is(err, io.ErrShortWrite) {
			t.Errorf("%s: %v", format, err)
		}
	}
}

func TestUnknownFormats(t *testing.T) {
	if _, err := rows.New(io.Discard, "xlsx"); ledger.CodeOf(err) != ledger.BadRequest || !strings.Contains(err.Error(), "csv, parquet") {
		t.Errorf("%v", err)
	}
}
