package engine

import (
	"context"
	"os"
	"strings"
	"testing"
)

// Without any look at the text, the engine itself keeps a reader's session from
// writing, from the host's files and the network, and from its own settings.
func TestReaderSessionIsLockedByTheEngine(t *testing.T) {
	path, err := Fetch(context.Background(), FetchOptions{CacheDir: os.Getenv("SPOILBOOK_ENGINE_CACHE")})
	if err != nil {
		t.Fatal(err)
	}
	e, err := Open(context.Background(), Options{Dir: t.TempDir(), Library: path})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	if err := e.control.exec("CREATE TABLE default.tip (a Int64) ENGINE = MergeTree ORDER BY a"); err != nil {
		t.Fatal(err)
	}
	c, err := e.openSession(newSessionKey(true, "default", map[string]string{"max_threads": "2"}))
	if err != nil {
		t.Fatal(err)
	}
	defer c.close()
	for _, sql := range []string{
		"INSERT INTO tip SELECT 1", "CREATE TABLE t (a Int8) ENGINE = Memory", "CREATE TEMPORARY TABLE t (a Int8)", "DROP TABLE tip",
		"TRUNCATE TABLE tip", "ALTER TABLE tip DELETE WHERE 1", "OPTIMIZE TABLE tip", "CREATE USER u", "SYSTEM STOP MERGES tip", "CREATE FUNCTION f AS x -> x",
		"SET readonly = 0", "SET max_threads = 1", "SELECT 1 SETTINGS readonly = 0", "SELECT 1 SETTINGS max_threads = 1",
		"SELECT * FROM file('/etc/hostname', LineAsString)", "SELECT * FROM file('/etc/hostname', LineAsString) SETTINGS readonly = 0",
		"SELECT * FROM `/etc/hostname`", "DESCRIBE TABLE file('/etc/hostname', LineAsString)", "SELECT * FROM url('http://127.0.0.1:1/', LineAsString)",
		"DESCRIBE TABLE url('http://127.0.0.1:1/', LineAsString)", "SELECT * FROM s3('http://bucket.s3.amazonaws.com/k', LineAsString)",
		"SELECT * FROM remote('127.0.0.1:1', system.one)", "SELECT * FROM sqlite('/etc/hostname', 'a')", "SELECT * FROM executable('cat', TSV, 'a String')",
		"INSERT INTO FUNCTION file('/nosuch/x', CSV, 'a Int8') SELECT 1", "BACKUP TABLE tip TO File('x.tar')",
	} {
		err := c.exec(sql)
		if err == nil || !strings.Contains(err.Error(), "READONLY") && !strings.Contains(err.Error(), "ACCESS_DENIED") {
			t.Errorf("%s: %v", sql, err)
		}
	}
	if n, err := c.scalar("SELECT toString(count()) FROM tip", parameters{}); err != nil || n != "0" {
		t.Errorf("a reader reads %q, %v", n, err)
	}
}

func TestQuoting(t *testing.T) {
	path, err := Fetch(context.Background(), FetchOptions{CacheDir: os.Getenv("SPOILBOOK_ENGINE_CACHE")})
	if err != nil {
		t.Fatal(err)
	}
	e, err := Open(context.Background(), Options{Dir: t.TempDir(), Library: path})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	for _, s := range []string{"", "plain", `a'b"c` + "`d", `back\slash\`, "nul\x00nul", "tab\tline\n", "ünï", "\xff\xfe"} {
		if got, err := e.control.scalar("SELECT "+quoteString(s), parameters{}); err != nil || got != s {
			t.Errorf("the literal of %q is %q, %v", s, got, err)
		}
		if s == "" || strings.Contains(s, "\x00") {
			continue // no name of anything
		}
		r, err := e.control.query("SELECT 1 AS "+quoteName(s)+" FORMAT TSVWithNames", "TSV", parameters{})
		if err != nil {
			t.Errorf("the name %q: %v", s, err)
			continue
		}
		if got := string(r.bytes()); got != escapeParameter(s)+"\n1\n" && !strings.Contains(s, "'") {
			t.Errorf("the name of %q is %q", s, got)
		}
		r.free()
		if got, err := e.control.scalar("SELECT {v:String}", parameters{[]string{"v"}, []string{escapeParameter(s)}}); err != nil || got != s {
			t.Errorf("the parameter %q is %q, %v", s, got, err)
		}
	}
}
