package engine

import (
	"encoding/xml"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"sort"
	"strconv"
	"strings"
)

// Defaults of Options.
const (
	DefaultMemory      = 2_000_000_000 // bytes
	DefaultConnections = 4
	DefaultMaxInsert   = 512 << 20 // bytes
)

// tableSettings are the defaults of every MergeTree table. The engine's own are
// wrong for a ledger: it acknowledges before syncing, and sets up to 100
// damaged parts aside at start without an error.
func tableSettings() map[string]string {
	return map[string]string{
		"fsync_after_insert":                "1",
		"fsync_part_directory":              "1",
		"max_suspicious_broken_parts":       "0",
		"max_suspicious_broken_parts_bytes": "0",
		// The pools below are small; with the engine's defaults (20 and 8 free
		// places) no mutation and no large merge would ever be started in them.
		"number_of_free_entries_in_pool_to_execute_mutation":                  "2",
		"number_of_free_entries_in_pool_to_execute_optimize_entire_partition": "2",
		"number_of_free_entries_in_pool_to_lower_max_size_of_merge":           "2",
	}
}

// serverSettings bound memory, caches and threads for a process that is not
// mainly a database.
func (o Options) serverSettings() map[string]string {
	pool := strconv.Itoa(max(2, min(8, runtime.GOMAXPROCS(0))))
	return map[string]string{
		"storage_configuration.disks.default.keep_free_space_bytes": strconv.FormatInt(o.KeepFree, 10), // see watchRoom
		"max_server_memory_usage":                                   strconv.FormatInt(o.Memory, 10),
		"mark_cache_size":                                           "67108864",
		"uncompressed_cache_size":                                   "0",
		"index_mark_cache_size":                                     "16777216",
		"index_uncompressed_cache_size":                             "0",
		"mmap_cache_size":                                           "64",
		"query_condition_cache_size":                                "16777216",
		"background_pool_size":                                      pool,
		"background_move_pool_size":                                 "1",
		"background_fetches_pool_size":                              "1",
		"background_common_pool_size":                               "2",
		"background_schedule_pool_size":                             "8",
		"background_buffer_flush_schedule_pool_size":                "1",
		"background_message_broker_schedule_pool_size":              "1",
		"background_distributed_schedule_pool_size":                 "1",
		"max_backups_io_thread_pool_size":                           "4",
		"max_active_parts_loading_thread_pool_size":                 "4",
		"max_outdated_parts_loading_thread_pool_size":               "2",
		"max_unexpected_parts_loading_thread_pool_size":             "2",
	}
}

// sessionSettings hold for every statement unless a request sets them.
func sessionSettings() map[string]string {
	return map[string]string{
		"async_insert":       "0", // an acknowledged insert is a stored one
		"insert_deduplicate": "1",
		"session_timezone":   "UTC",
		"max_query_size":     strconv.Itoa(maxStatementBytes),
	}
}

// insertSettings make one block of every insert that carries data, so that it
// is stored whole or not at all, and refuse columns that the table does not
// have, which would otherwise be dropped. A request's own settings win.
func insertSettings() map[string]string {
	return map[string]string{
		"input_format_skip_unknown_fields": "0",
		"max_insert_block_size":            "1000000000000",
		"min_insert_block_size_rows":       "1000000000000",
		"min_insert_block_size_bytes":      "1000000000000",
	}
}

// configuration is the XML the engine reads at start. Roles are what keeps
// readers away from the host's files: see openSession.
func (o Options) configuration(file string) string {
	var b strings.Builder
	b.WriteString("<clickhouse>\n<merge_tree>\n")
	table := tableSettings()
	for name, value := range o.Settings {
		if name, found := strings.CutPrefix(name, "merge_tree."); found {
			table[name] = value
		}
	}
	for _, name := range sortedKeys(table) {
		fmt.Fprintf(&b, "<%s>%s</%s>\n", name, escapeXML(table[name]), name)
	}
	fmt.Fprintf(&b, `</merge_tree>
<users_config>%s</users_config>
<profiles><default></default></profiles>
<quotas><default></default></quotas>
<roles>
<%s><grants><query>GRANT ALL ON *.* WITH GRANT OPTION</query></grants></%[2]s>
<%s><grants><query>GRANT SELECT, SHOW, CHECK, dictGet ON *.*</query></grants></%[3]s>
</roles>
<users><default>
<password></password><networks><ip>::/0</ip></networks>
<profile>default</profile><quota>default</quota>
<grants><query>GRANT %[2]s</query><query>GRANT %[3]s</query></grants>
</default></users>
</clickhouse>
`, escapeXML(file), roleWriter, roleReader)
	return b.String()
}

// The two roles of the only user.
const (
	roleWriter = "writer"
	roleReader = "reader"
)

// arguments writes the configuration file and returns the argument list that
// every session is started with.
func (o Options) arguments() ([]string, error) {
	file := filepath.Join(o.Dir, "engine.xml")
	if err := os.WriteFile(file, []byte(o.configuration(file)), 0o600); err != nil {
		return nil, fmt.Errorf("write the engine's configuration: %w", err)
	}
	args := []string{"clickhouse", "--path=" + o.Dir, "--config-file=" + file}
	if o.BackupDir != "" {
		args = append(args, "--backups.allowed_path="+o.BackupDir)
	}
	all := o.serverSettings()
	for name, value := range sessionSettings() {
		all[name] = value
	}
	for name, value := range o.Settings {
		if !strings.HasPrefix(name, "merge_tree.") {
			all[name] = value
		}
	}
	for _, name := range sortedKeys(all) {
		args = append(args, "--"+name+"="+all[name])
	}
	return args, nil
}

// checkSettings refuses misspelt settings, which the engine would ignore at
// start, and bad values, which it would refuse without a reason. Names with a
// dot or a dash are keys of the engine's configuration and are not checked.
func (o Options) checkSettings(c *connection) error {
	for _, name := range sortedKeys(o.Settings) {
		table := "system.settings"
		plain, isTable := strings.CutPrefix(name, "merge_tree.")
		switch {
		case isTable:
			table = "system.merge_tree_settings"
		case strings.ContainsAny(name, ".-"):
			continue
		}
		count, err := c.scalar("SELECT toString((SELECT count() FROM "+table+" WHERE name = {n:String}) + (SELECT count() FROM system.server_settings WHERE name = {n:String}))",
			parameters{[]string{"n"}, []string{plain}})
		if err != nil {
			return fmt.Errorf("check the engine setting %q: %w", name, err)
		}
		if count == "0" {
			return fmt.Errorf("check the engine setting %q: the engine has no such setting", name)
		}
	}
	return nil
}

func sortedKeys(m map[string]string) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}

func escapeXML(s string) string {
	var b strings.Builder
	if err := xml.EscapeText(&b, []byte(s)); err != nil {
		panic("a strings.Builder does not fail: " + err.Error())
	}
	return b.String()
}
