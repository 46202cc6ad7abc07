package store

import (
	"context"
	"fmt"
	"strings"
)

// migration is one step of the schema; its statements can be run again.
type migration struct {
	version    uint32
	name       string
	statements []string
}

// ledgerSettings make a MergeTree table keep what it acknowledged: files and
// folders are synced on every insert, a broken part stops the table instead of
// being set aside in silence, and a block inserted again by its token counts once.
const ledgerSettings = `SETTINGS fsync_after_insert = 1, fsync_part_directory = 1,
	max_suspicious_broken_parts = 0, max_suspicious_broken_parts_bytes = 0,
	non_replicated_deduplication_window = 1000, min_rows_for_wide_part = 0, min_bytes_for_wide_part = 10485760`

// migrations is the schema's history; a step is never changed once released.
func migrations() []migration {
	return []migration{{1, "events, quarantine and intake blocks", []string{
		`CREATE TABLE IF NOT EXISTS events (
			position UInt64 CODEC(Delta, ZSTD(1)),
			source LowCardinality(String), seq UInt64, id String,
			kind LowCardinality(String), truck LowCardinality(String),
			job LowCardinality(String), operator LowCardinality(String),
			occurred DateTime64(3, 'UTC'), recorded DateTime64(3, 'UTC'),
			stream LowCardinality(String), stream_seq UInt64,
			body String CODEC(ZSTD(1)), hash FixedString(32) CODEC(NONE),
			INDEX by_id id TYPE bloom_filter(0.01) GRANULARITY 1,
			INDEX by_position position TYPE minmax GRANULARITY 1,
			INDEX by_occurred occurred TYPE minmax GRANULARITY 1,
			INDEX by_stream_seq stream_seq TYPE minmax GRANULARITY 1
		) ENGINE = MergeTree ORDER BY (truck, source, seq) ` + ledgerSettings,
		`CREATE TABLE IF NOT EXISTS quarantine (
			entry UInt64, received DateTime64(3, 'UTC'), stream LowCardinality(String), stream_seq UInt64,
			subject String, code LowCardinality(String), reason String,
			body String CODEC(ZSTD(1)), hash FixedString(32) CODEC(NONE)
		) ENGINE = MergeTree ORDER BY entry ` + ledgerSettings,
		`CREATE TABLE IF NOT EXISTS settlements (
			entry UInt64, at DateTime64(3, 'UTC'), action LowCardinality(String), author String, note String
		) ENGINE = MergeTree ORDER BY (entry, at) ` + ledgerSettings,
		`CREATE TABLE IF NOT EXISTS blocks (
			stream LowCardinality(String), first_seq UInt64, last_seq UInt64,
			position UInt64, recorded UInt64, duplicates UInt64, quarantined UInt64,
			root FixedString(32), frontier String, at DateTime64(3, 'UTC')
		) ENGINE = MergeTree ORDER BY (stream, last_seq) ` + ledgerSettings,
	}}, {2, "adopted streams", []string{
		`CREATE TABLE IF NOT EXISTS adoptions (
			number UInt64, stream LowCardinality(String), first UInt64, again UInt64, position UInt64,
			at DateTime64(3, 'UTC'), author String, reason String
		) ENGINE = MergeTree ORDER BY number ` + ledgerSettings,
	}}, {3, "marks of a store that is filled or was moved", []string{
		`CREATE TABLE IF NOT EXISTS marks (
			number UInt64, mark LowCardinality(String), text String
		) ENGINE = MergeTree ORDER BY number ` + ledgerSettings,
	}}}
}

// migrate brings the schema up to this program's version and refuses one that is
// newer.
func (s *Store) migrate(ctx context.Context) error {
	if err := s.conn.Exec(ctx, "CREATE TABLE IF NOT EXISTS migrations (version UInt32, name String, applied DateTime64(3, 'UTC')) ENGINE = MergeTree ORDER BY version "+ledgerSettings); err != nil {
		return err
	}
	var have uint32
	if err := s.conn.QueryRow(ctx, "SELECT max(version) FROM migrations").Scan(&have); err != nil {
		return err
	}
	steps := migrations()
	if newest := steps[len(steps)-1].version; have > newest {
		return fmt.Errorf("the store's schema is version %d and this program knows %d: upgrade the program", have, newest)
	}
	for _, m := range steps {
		if m.version <= have {
			continue
		}
		for _, statement := range m.statements {
			if err := s.conn.Exec(ctx, statement); err != nil {
				return fmt.Errorf("migration %d (%s): %w", m.version, m.name, err)
			}
		}
		if err := s.conn.Exec(ctx, "INSERT INTO migrations SELECT ?, ?, now64(3)", m.version, m.name); err != nil {
			return fmt.Errorf("migration %d (%s): %w", m.version, m.name, err)
		}
	}
	return nil
}

// Schema returns the statements that make the newest schema, for those who
// create the tables of a cluster by hand.
func Schema() string {
	var b strings.Builder
	for _, m := range migrations() {
		fmt.Fprintf(&b, "-- %d: %s\n", m.version, m.name)
		for _, statement := range m.statements {
			b.WriteString(statement + ";\n")
		}
	}
	return b.String()
}
