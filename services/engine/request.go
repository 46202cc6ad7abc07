package engine

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"sort"
	"strings"
)

// maxStatementBytes bounds the text of a statement, without insert data.
const maxStatementBytes = 16 << 20

// call is an HTTP request to the engine, taken apart.
type call struct {
	statement
	queryID       string
	compressed    bool   // answer in ClickHouse's own compressed blocks
	method        string // of that compression
	acceptGzip    bool
	clientVersion bool // the client decodes the handshake at its own revision
}

// transportKeys are URL keys that say something about the transport and are
// not settings of the engine.
func transportKey(name string) bool {
	switch name {
	case "query", "database", "default_format", "query_id", "client_protocol_version", "compress", "decompress",
		"network_compression_method", "network_zstd_compression_level", "enable_http_compression",
		"http_zlib_compression_level", "wait_end_of_query", "buffer_size", "user", "password", "quota_key",
		"stacktrace", "role", "session_timeout", "session_check", "log_comment", "send_progress_in_http_headers",
		"http_headers_progress_interval_ms", "cancel_http_readonly_queries_on_client_close":
		return true
	}
	return false
}

// parseCall takes a request apart. body is the request's, decompressed. It is
// read as far as the text of the statement goes.
func parseCall(r *http.Request, body io.Reader, readOnly bool) (call, error) {
	values := r.URL.Query()
	c := call{queryID: values.Get("query_id"), method: values.Get("network_compression_method")}
	c.readOnly = readOnly
	c.database = firstOf(r.Header.Get("X-ClickHouse-Database"), values.Get("database"))
	c.format = firstOf(r.Header.Get("X-ClickHouse-Format"), values.Get("default_format"), "TabSeparated")
	c.whole = isOn(values.Get("wait_end_of_query"))
	c.compressed = isOn(values.Get("compress"))
	c.clientVersion = values.Get("client_protocol_version") != ""
	c.acceptGzip = isOn(values.Get("enable_http_compression")) && acceptsGzip(r.Header.Get("Accept-Encoding"))
	c.settings = map[string]string{}
	if values.Get("session_id") != "" {
		return c, exceptionf(codeNotImplemented, "Sessions are not kept: leave session_id out. (NOT_IMPLEMENTED)")
	}
	if strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/") {
		return c, exceptionf(codeNotImplemented, "External tables are not supported. (NOT_IMPLEMENTED)")
	}
	if err := c.readValues(values); err != nil {
		return c, err
	}
	length := r.ContentLength
	if length == 0 || r.Header.Get("Content-Encoding") != "" || isOn(values.Get("decompress")) {
		length = -1
	}
	return c, c.readStatement(values.Get("query"), body, length)
}

// readValues sorts the keys of the URL into parameters and settings. The last
// value of a key counts.
func (c *call) readValues(values url.Values) error {
	names := make([]string, 0, len(values))
	for name := range values {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		value := values[name][len(values[name])-1]
		if parameter, found := strings.CutPrefix(name, "param_"); found {
			c.parameters.names = append(c.parameters.names, parameter)
			c.parameters.values = append(c.parameters.values, value)
			continue
		}
		if transportKey(name) {
			continue
		}
		if c.readOnly && !readerMaySet(name, value) {
			return exceptionf(codeSettingConstraint, "The setting %s may not be set on a read-only port. (SETTING_CONSTRAINT_VIOLATION)", name)
		}
		if name == "async_insert" && isOn(value) {
			return exceptionf(codeSettingConstraint, "Asynchronous inserts are refused, because they are acknowledged before they are stored. (SETTING_CONSTRAINT_VIOLATION)")
		}
		if !c.readOnly || name != "readonly" {
			c.settings[name] = value
		}
	}
	return nil
}

// readStatement finds the statement in the URL or the body. What follows an
// INSERT is its data and is not read here.
func (c *call) readStatement(query string, body io.Reader, length int64) error {
	c.size = -1
	if query == "" || !carriesData(query) {
		text, complete, err := readText(body)
		if err != nil {
			return err
		}
		c.sql = strings.TrimPrefix(query+"\n"+text, "\n")
		head, ok := parseInsert(c.sql)
		if ok {
			c.becomeInsert(head, io.MultiReader(strings.NewReader(c.sql[head.data:]), body))
			return nil
		}
		if !complete {
			return exceptionf(codeSyntaxError, "The statement is longer than %d bytes. (SYNTAX_ERROR)", maxStatementBytes)
		}
		return nil
	}
	head, _ := parseInsert(query)
	inline := query[head.data:]
	if strings.TrimSpace(inline) == "" {
		c.size = length
		c.becomeInsert(head, body)
		return nil
	}
	c.becomeInsert(head, io.MultiReader(strings.NewReader(inline), body))
	return nil
}

func carriesData(sql string) bool {
	_, ok := parseInsert(sql)
	return ok
}

func (c *call) becomeInsert(head insertHead, data io.Reader) {
	c.isInsert, c.data, c.sql = true, data, head.sql
	c.format = firstOf(head.format, "Values")
}

// readText reads a body up to the longest statement, and says whether that was
// all of it.
func readText(body io.Reader) (text string, complete bool, err error) {
	read, err := io.ReadAll(io.LimitReader(body, maxStatementBytes))
	if err != nil {
		return "", false, fmt.Errorf("read the statement: %w", err)
	}
	return string(read), len(read) < maxStatementBytes, nil
}

// readerMaySet lists the settings that change how a result looks or make a
// statement give up sooner. All others, and among those every one that names a
// file, are refused on a read-only port.
func readerMaySet(name, value string) bool {
	switch name {
	case "readonly":
		return value == "1" || value == "2"
	case "output_format_schema":
		return false
	case "date_time_output_format", "session_timezone", "extremes", "limit", "offset", "final", "max_threads",
		"max_block_size", "max_execution_time", "max_result_rows", "max_result_bytes", "max_rows_to_read",
		"max_bytes_to_read", "result_overflow_mode", "read_overflow_mode", "timeout_overflow_mode",
		"join_use_nulls", "transform_null_in", "group_by_use_nulls", "union_default_mode",
		"aggregate_functions_null_for_empty", "prefer_column_name_to_alias", "format_csv_delimiter",
		"http_write_exception_in_output_format":
		return true
	}
	return strings.HasPrefix(name, "output_format_")
}

func isOn(value string) bool { return value == "1" || strings.EqualFold(value, "true") }

func firstOf(values ...string) string {
	for _, v := range values {
		if v != "" {
			return v
		}
	}
	return ""
}

func acceptsGzip(header string) bool {
	for part := range strings.SplitSeq(header, ",") {
		name, quality, _ := strings.Cut(strings.TrimSpace(part), ";")
		if strings.EqualFold(strings.TrimSpace(name), "gzip") && strings.TrimSpace(quality) != "q=0" {
			return true
		}
	}
	return false
}
