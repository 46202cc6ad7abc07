package store

import (
	"context"
	"fmt"
	"slices"
	"strings"
)

// columnsOf lists the columns of every table of the newest schema, sorted.
func columnsOf() map[string]string {
	return map[string]string{
		"adoptions":   "again at author first number position reason stream",
		"blocks":      "at duplicates first_seq frontier last_seq position quarantined recorded root stream",
		"events":      "body hash id job kind occurred operator position recorded seq source stream stream_seq truck",
		"marks":       "mark number text",
		"quarantine":  "body code entry hash reason received stream stream_seq subject",
		"settlements": "action at author entry note",
	}
}

// checkColumns holds the tables as the server describes them against the schema. A byte that was changed in a table's description would otherwise
// show only when a statement names what is not there any more, and then as a fault of the statement.
func (s *Store) checkColumns(ctx context.Context) error {
	rows, err := s.conn.Query(ctx, "SELECT table, arrayStringConcat(arraySort(groupArray(name)), ' ') FROM system.columns WHERE database = currentDatabase() GROUP BY table")
	if err != nil {
		return fmt.Errorf("columns of the tables: %w", err)
	}
	defer rows.Close()
	have := map[string]string{}
	for rows.Next() {
		var table, columns string
		if err := rows.Scan(&table, &columns); err != nil {
			return fmt.Errorf("columns of the tables: %w", err)
		}
		have[table] = columns
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("columns of the tables: %w", err)
	}
	for table, want := range columnsOf() {
		if got, there := have[table]; !there {
			return damaged("the table %s is not there", table)
		} else if missing := without(want, got); len(missing) > 0 {
			return damaged("the table %s does not have the columns %s", table, strings.Join(missing, ", "))
		}
	}
	return nil
}

// without returns the words of want that have lacks.
func without(want, have string) []string {
	list := strings.Fields(have)
	return slices.DeleteFunc(strings.Fields(want), func(w string) bool { return slices.Contains(list, w) })
}
