package engine

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"github.com/ClickHouse/ch-go/compress"
)

func TestParseInsert(t *testing.T) {
	for _, test := range []struct{ sql, head, format, data string }{
		{"INSERT INTO t FORMAT CSV\n1,2", "INSERT INTO t ", "CSV", "1,2"},
		{"INSERT INTO t FORMAT Native \r\n\x01\x00\n", "INSERT INTO t ", "Native", "\x01\x00\n"},
		{"insert into t(a,b)values(1,2)", "insert into t(a,b)", "Values", "(1,2)"},
		{"INSERT INTO t", "INSERT INTO t", "", ""},
		{"INSERT INTO t;", "INSERT INTO t", "", ""},
		{"INSERT INTO `a``b`.\"c\" FORMAT TSV\n", "INSERT INTO `a``b`.\"c\" ", "TSV", ""},
		{"INSERT INTO values VALUES (1)", "INSERT INTO values ", "Values", " (1)"},
		{"INSERT INTO FUNCTION null('a Int8') VALUES (1)", "INSERT INTO FUNCTION null('a Int8') ", "Values", " (1)"},
		{"INSERT INTO t (`select`) SETTINGS a = 'FORMAT' FORMAT CSV 1", "INSERT INTO t (`select`) SETTINGS a = 'FORMAT' ", "CSV", "1"},
		{"INSERT INTO t -- VALUES\n FORMAT CSV\n1", "INSERT INTO t -- VALUES\n ", "CSV", "1"},
		{"INSERT INTO {t:Identifier} VALUES (1)", "INSERT INTO {t:Identifier} ", "Values", " (1)"},
	} {
		head, ok := parseInsert(test.sql)
		if !ok || head.sql != test.head || head.format != test.format || test.sql[head.data:] != test.data {
			t.Errorf("%q: %v %+v, data %q", test.sql, ok, head, test.sql[min(head.data, len(test.sql)):])
		}
	}
	for _, sql := range []string{"", "SELECT 1", "INSERT INTO t SELECT 1", "INSERT INTO t (a) WITH 1 AS x SELECT x",
		"INSERT INTO t FROM INFILE 'x' FORMAT CSV", "INSERT", "INSERT INTO", "INSERT INTO t FORMAT", "INSERT INTO t FORMAT 'CSV'",
		"INSERT INTO t /* ", "INSERT INTO 'x' VALUES (1)", "EXPLAIN INSERT INTO t VALUES (1)"} {
		if head, ok := parseInsert(sql); ok {
			t.Errorf("%q was taken for an insert with data: %+v", sql, head)
		}
	}
}

func TestOutputFormat(t *testing.T) {
	for sql, want := range map[string]string{
		"SELECT 1":                              "",
		"SELECT 1 FORMAT JSON":                  "JSON",
		"SELECT 1 format CSV SETTINGS a = 1":    "CSV",
		"SELECT 'FORMAT TSV' -- FORMAT XML":     "",
		"SELECT `FORMAT` FROM t FORMAT Native;": "Native",
		"SELECT $$ FORMAT JSON $$ FORMAT CSV":   "CSV",
		"SELECT $tag$ FORMAT $$ $tag$":          "",
		"SELECT formatDateTime(a, 'x') FROM t":  "",
	} {
		if format, certain := outputFormat(sql); format != want || !certain {
			t.Errorf("%q: format %q, certain %v; want %q", sql, format, certain, want)
		}
	}
	for _, sql := range []string{"SELECT format('a', 'b')", "SELECT 1 FORMAT a FORMAT b", "SELECT 'unfinished", "SELECT ‘1’"} {
		if format, certain := outputFormat(sql); certain {
			t.Errorf("%q: format %q is said to be certain", sql, format)
		}
	}
}

func TestMayReadHostFile(t *testing.T) {
	for sql, want := range map[string]bool{
		"SELECT file('/etc/hostname')":                      true,
		"SELECT FILE /* */ ('/etc/hostname')":               true,
		"SELECT `file`('/etc/hostname')":                    true,
		"SELECT \"file\"\n-- x\n('/etc/hostname')":          true,
		"SELECT \"fi\\x6ce\"('/etc/hostname')":              true,
		"SELECT {f:Identifier}('/etc/hostname')":            true,
		"SELECT '/etc/hostname' AS a, * APPLY file":         true,
		"SELECT arrayMap(x -> file(x), ['/etc/hostname'])":  true,
		"SELECT 'x' 'unfinished":                            true,
		"SELECT ‘x’":                                        true,
		"SELECT file FROM t":                                false,
		"SELECT count() FROM t WHERE source = 'file('":      false,
		"SELECT profile(1)":                                 false,
		"SELECT file, sum(a) FROM t GROUP BY file -- file(": false,
	} {
		if got := mayReadHostFile(sql); got != want {
			t.Errorf("%q: %v; want %v", sql, got, want)
		}
	}
}

// Tokens lie in order, do not overlap, and between them is nothing but blanks
// and comments.
func FuzzLexer(f *testing.F) {
	for _, seed := range []string{"SELECT 1 -- x\n, 'a''b\\'' /* y */ $$z$$ `q` \"r\" 1e5 ‘", "INSERT INTO t FORMAT CSV\n1", "$a$b$a$", "#!x\n# y"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, sql string) {
		l := &lexer{sql: sql}
		for at := 0; ; {
			token := l.next()
			if token.start < at || token.end < token.start || token.end > len(sql) {
				t.Fatalf("token %+v after offset %d of %q", token, at, sql)
			}
			if between := sql[at:token.start]; token.kind != tokenBroken && strings.TrimSpace(between) != "" &&
				!strings.ContainsAny(between, "-#/") {
				t.Fatalf("%q was skipped in %q", between, sql)
			}
			if token.kind == tokenEnd || token.kind == tokenBroken {
				break
			}
			if token.end == token.start {
				t.Fatalf("an empty token %+v in %q", token, sql)
			}
			at = token.end
		}
		if head, ok := parseInsert(sql); ok && (head.data < len(head.sql) || head.data > len(sql) || !strings.HasPrefix(sql, head.sql)) {
			t.Fatalf("insert %+v in %q", head, sql)
		}
		outputFormat(sql)
		mayReadHostFile(sql)
	})
}

func TestBlockReaderTellsACutBlockFromTheEnd(t *testing.T) {
	w := compress.NewWriter(compress.LevelZero, compress.LZ4)
	if err := w.Compress([]byte("a block of ten words, more or less, of some length")); err != nil {
		t.Fatal(err)
	}
	two := append(append([]byte{}, w.Data...), w.Data...)
	for cut := range len(two) + 1 {
		counted := &countingReader{reader: bytes.NewReader(two[:cut])}
		_, err := io.ReadAll(&blockReader{source: counted, decoder: compress.NewReader(counted)})
		if whole := cut%len(w.Data) == 0; (err == nil) != whole {
			t.Errorf("after %d of %d bytes: %v", cut, len(two), err)
		}
	}
}
