package engine_test

import (
	"os"
	"testing"

	"spoilbook/services/engine"
)

// The engine takes a file of the working folder for a table of its name, unless it is started elsewhere.
func TestFilesOfTheWorkingFolderAreNoTables(t *testing.T) {
	folder := t.TempDir()
	t.Chdir(folder)
	if err := os.WriteFile("tips.csv", []byte("seq\n7\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile("tips", []byte("seq\n7\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	c := connect(t, open(t, engine.Options{}))
	exec1(t, c, "CREATE TABLE IF NOT EXISTS tips (seq UInt64) ENGINE = MergeTree ORDER BY seq")
	exec1(t, c, "INSERT INTO tips SELECT number FROM numbers(3)")
	if n := count(t, c, "SELECT count() FROM tips"); n != 3 {
		t.Errorf("the table holds %d rows, want 3", n)
	}
	if err := c.Exec(t.Context(), "SELECT * FROM `tips.csv`"); err == nil {
		t.Error("a file of the working folder was read as a table")
	}
	if here, err := os.Getwd(); err != nil || here != folder {
		t.Errorf("the working folder is %s, was %s: %v", here, folder, err)
	}
}
