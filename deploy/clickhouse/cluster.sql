-- The tables of a ledger that is replicated and sharded by truck.
--
-- NOT RUN: these statements were parsed by ClickHouse 26.7 and their columns are
-- compared with the program's own schema by a test, but no cluster of servers was
-- available to run them on. Try them, and a restore, on yours before you trust it.
--
-- A shard is a set of trucks with everything of theirs: a NATS account with its own
-- events stream (nats.conf has one account; give each shard its own), one spoilbook
-- that reads that stream, and the tables below on the replicas of that shard. A
-- truck belongs to the shard in whose account its user is. Positions are dense and
-- the Merkle tree is complete within a shard, and a report covers one shard.
--
-- The program must not write through a Distributed table: a block of events would
-- reach some shards and not others when one does not answer, and the program then
-- finds half a block and stops as if the ledger were damaged. So each spoilbook
-- writes to the replicated tables of its own shard under their plain names, and the
-- Distributed table at the end is for reading only.
--
-- `spoilbook` makes any table that is missing, as a plain MergeTree on the one
-- replica it is connected to. Run this file before the program is started for the
-- first time, and look afterwards:
--
--   SELECT name, engine FROM system.tables WHERE database = 'spoilbook'
--
-- Every engine must begin with Replicated, but for events_of_all_shards.
--
-- What cluster.xml must define: the cluster `spoilbook`, and on each server the
-- macros {shard} and {replica}.

CREATE DATABASE IF NOT EXISTS spoilbook ON CLUSTER spoilbook;

-- fsync and broken parts: as in the schema of one machine, where a part that is
-- damaged stops the table instead of being set aside in silence. Deduplication: a
-- block that is sent again counts once for a week.

CREATE TABLE IF NOT EXISTS spoilbook.migrations ON CLUSTER spoilbook (
    version UInt32, name String, applied DateTime64(3, 'UTC')
) ENGINE = ReplicatedMergeTree('/clickhouse/tables/{shard}/spoilbook/migrations', '{replica}')
ORDER BY version
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1,
    max_suspicious_broken_parts = 0, max_suspicious_broken_parts_bytes = 0,
    replicated_deduplication_window = 1000, replicated_deduplication_window_seconds = 604800;

CREATE TABLE IF NOT EXISTS spoilbook.events ON CLUSTER spoilbook (
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
) ENGINE = ReplicatedMergeTree('/clickhouse/tables/{shard}/spoilbook/events', '{replica}')
ORDER BY (truck, source, seq)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1,
    max_suspicious_broken_parts = 0, max_suspicious_broken_parts_bytes = 0,
    replicated_deduplication_window = 1000, replicated_deduplication_window_seconds = 604800,
    min_rows_for_wide_part = 0, min_bytes_for_wide_part = 10485760;

CREATE TABLE IF NOT EXISTS spoilbook.quarantine ON CLUSTER spoilbook (
    entry UInt64, received DateTime64(3, 'UTC'), stream LowCardinality(String), stream_seq UInt64,
    subject String, code LowCardinality(String), reason String,
    body String CODEC(ZSTD(1)), hash FixedString(32) CODEC(NONE)
) ENGINE = ReplicatedMergeTree('/clickhouse/tables/{shard}/spoilbook/quarantine', '{replica}')
ORDER BY entry
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1,
    max_suspicious_broken_parts = 0, max_suspicious_broken_parts_bytes = 0,
    replicated_deduplication_window = 1000, replicated_deduplication_window_seconds = 604800,
    min_rows_for_wide_part = 0, min_bytes_for_wide_part = 10485760;

CREATE TABLE IF NOT EXISTS spoilbook.settlements ON CLUSTER spoilbook (
    entry UInt64, at DateTime64(3, 'UTC'), action LowCardinality(String), author String, note String
) ENGINE = ReplicatedMergeTree('/clickhouse/tables/{shard}/spoilbook/settlements', '{replica}')
ORDER BY (entry, at)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1,
    max_suspicious_broken_parts = 0, max_suspicious_broken_parts_bytes = 0,
    replicated_deduplication_window = 1000, replicated_deduplication_window_seconds = 604800,
    min_rows_for_wide_part = 0, min_bytes_for_wide_part = 10485760;

CREATE TABLE IF NOT EXISTS spoilbook.blocks ON CLUSTER spoilbook (
    stream LowCardinality(String), first_seq UInt64, last_seq UInt64,
    position UInt64, recorded UInt64, duplicates UInt64, quarantined UInt64,
    root FixedString(32), frontier String, at DateTime64(3, 'UTC')
) ENGINE = ReplicatedMergeTree('/clickhouse/tables/{shard}/spoilbook/blocks', '{replica}')
ORDER BY (stream, last_seq)
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1,
    max_suspicious_broken_parts = 0, max_suspicious_broken_parts_bytes = 0,
    replicated_deduplication_window = 1000, replicated_deduplication_window_seconds = 604800,
    min_rows_for_wide_part = 0, min_bytes_for_wide_part = 10485760;

CREATE TABLE IF NOT EXISTS spoilbook.adoptions ON CLUSTER spoilbook (
    number UInt64, stream LowCardinality(String), first UInt64, again UInt64, position UInt64,
    at DateTime64(3, 'UTC'), author String, reason String
) ENGINE = ReplicatedMergeTree('/clickhouse/tables/{shard}/spoilbook/adoptions', '{replica}')
ORDER BY number
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1,
    max_suspicious_broken_parts = 0, max_suspicious_broken_parts_bytes = 0,
    replicated_deduplication_window = 1000, replicated_deduplication_window_seconds = 604800,
    min_rows_for_wide_part = 0, min_bytes_for_wide_part = 10485760;

CREATE TABLE IF NOT EXISTS spoilbook.marks ON CLUSTER spoilbook (
    number UInt64, mark LowCardinality(String), text String
) ENGINE = ReplicatedMergeTree('/clickhouse/tables/{shard}/spoilbook/marks', '{replica}')
ORDER BY number
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1,
    max_suspicious_broken_parts = 0, max_suspicious_broken_parts_bytes = 0,
    replicated_deduplication_window = 1000, replicated_deduplication_window_seconds = 604800,
    min_rows_for_wide_part = 0, min_bytes_for_wide_part = 10485760;

-- For other ClickHouse clients that look at the whole fleet. A position is unique
-- only together with its stream. The sharding key says where a truck's rows would
-- go, and is not used, because nothing is written through this table.

CREATE TABLE IF NOT EXISTS spoilbook.events_of_all_shards ON CLUSTER spoilbook
AS spoilbook.events
ENGINE = Distributed(spoilbook, spoilbook, events, cityHash64(truck));
