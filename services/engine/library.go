package engine

import (
	"fmt"
	"runtime"
	"unsafe"
)

// library holds the C functions of libchdb that this package calls. Every
// unsafe.Pointer in a signature is an opaque handle owned by the library, and
// every (*byte, uintptr) pair is a buffer that the callee copies or is done with
// before it returns, so Go memory may be passed: heap objects do not move, and
// purego keeps arguments alive for the length of the call.
type library struct {
	setSignalHandlers func(enabled int32)
	connect           func(argc int32, argv **byte) unsafe.Pointer
	closeConnection   func(connection unsafe.Pointer)
	shutdown          func() int32

	classify func(connection unsafe.Pointer, sql *byte, sqlLen uintptr, target *byte, targetLen uintptr, out *analysis) int32

	query func(connection unsafe.Pointer, sql *byte, sqlLen uintptr, format *byte, formatLen uintptr,
		names **byte, nameLens *uintptr, values **byte, valueLens *uintptr, count uintptr) unsafe.Pointer
	streamQuery func(connection unsafe.Pointer, sql *byte, sqlLen uintptr, format *byte, formatLen uintptr,
		names **byte, nameLens *uintptr, values **byte, valueLens *uintptr, count uintptr) unsafe.Pointer
	streamFetch  func(connection, result unsafe.Pointer) unsafe.Pointer
	streamCancel func(connection, result unsafe.Pointer)

	streamInsert func(connection unsafe.Pointer, sql *byte, sqlLen uintptr, format *byte, formatLen uintptr,
		names **byte, nameLens *uintptr, values **byte, valueLens *uintptr, count uintptr) unsafe.Pointer
	streamAppend        func(stream unsafe.Pointer, data *byte, dataLen uintptr) int32
	streamDone          func(stream unsafe.Pointer) unsafe.Pointer
	streamCancelInsert  func(stream unsafe.Pointer)
	streamInsertError   func(stream unsafe.Pointer) string
	destroyInsertStream func(stream unsafe.Pointer)

	backup func(connection unsafe.Pointer, database *byte, databaseLen uintptr, file *byte, fileLen uintptr,
		base *byte, baseLen uintptr) unsafe.Pointer
	restore func(connection unsafe.Pointer, database *byte, databaseLen uintptr, file *byte, fileLen uintptr) unsafe.Pointer

	resultBuffer      func(result unsafe.Pointer) *byte
	resultLength      func(result unsafe.Pointer) uintptr
	resultError       func(result unsafe.Pointer) string
	resultRowsRead    func(result unsafe.Pointer) uint64
	resultBytesRead   func(result unsafe.Pointer) uint64
	resultRowsWritten func(result unsafe.Pointer) uint64
	resultByteWritten func(result unsafe.Pointer) uint64
	destroyResult     func(result unsafe.Pointer)
}

// analysis mirrors chdb_query_analysis_v1.
type analysis struct {
	structSize     uint32
	statementCount uint32
	_              uint32 // flags
	class          uint32
}

// The classes of chdb_query_class that this package tells apart.
const (
	classReadOnly = 0
	classUnknown  = 4
)

// symbols names the C function behind every field.
func (l *library) symbols() map[string]any {
	return map[string]any{
		"chdb_set_signal_handlers_enabled": &l.setSignalHandlers,
		"chdb_connect":                     &l.connect,
		"chdb_close_conn":                  &l.closeConnection,
		"chdb_shutdown":                    &l.shutdown,
		"chdb_classify_query_n":            &l.classify,
		"chdb_query_with_params_n":         &l.query,
		"chdb_stream_query_with_params_n":  &l.streamQuery,
		"chdb_stream_fetch_result":         &l.streamFetch,
		"chdb_stream_cancel_query":         &l.streamCancel,
		"chdb_stream_insert_with_params_n": &l.streamInsert,
		"chdb_stream_append":               &l.streamAppend,
		"chdb_stream_done":                 &l.streamDone,
		"chdb_stream_cancel_insert":        &l.streamCancelInsert,
		"chdb_stream_insert_error":         &l.streamInsertError,
		"chdb_destroy_insert_stream":       &l.destroyInsertStream,
		"chdb_backup_database_n":           &l.backup,
		"chdb_restore_database_n":          &l.restore,
		"chdb_result_buffer":               &l.resultBuffer,
		"chdb_result_length":               &l.resultLength,
		"chdb_result_error":                &l.resultError,
		"chdb_result_rows_read":            &l.resultRowsRead,
		"chdb_result_bytes_read":           &l.resultBytesRead,
		"chdb_result_rows_written":         &l.resultRowsWritten,
		"chdb_result_bytes_written":        &l.resultByteWritten,
		"chdb_destroy_query_result":        &l.destroyResult,
	}
}

// openLibrary loads the library at path and binds every function.
func openLibrary(path string) (*library, error) {
	l := &library{}
	if err := bindLibrary(path, l.symbols()); err != nil {
		return nil, fmt.Errorf("load the ClickHouse engine %s: %w", path, err)
	}
	return l, nil
}

// text is a Go string laid out for a C (pointer, length) pair. An empty string
// still has a valid pointer, because some callees refuse NULL.
func text(s string) (*byte, uintptr) {
	if s == "" {
		return &[]byte{0}[0], 0
	}
	return unsafe.StringData(s), uintptr(len(s))
}

// optionalText is text with NULL for the empty string.
func optionalText(s string) (*byte, uintptr) {
	if s == "" {
		return nil, 0
	}
	return text(s)
}

// arguments is an argv array whose strings are pinned until release is called.
func arguments(args []string) (argv **byte, release func()) {
	var pin runtime.Pinner
	pointers := make([]*byte, len(args)+1)
	for i, a := range args {
		b := append([]byte(a), 0)
		pin.Pin(&b[0])
		pointers[i] = &b[0]
	}
	pin.Pin(&pointers[0])
	return &pointers[0], pin.Unpin
}

// parameterList is the C form of query parameters, pinned until release.
type parameterList struct {
	names, values         **byte
	nameLens, valueLens   *uintptr
	count                 uintptr
	release               func()
	keepNames, keepValues []string
}

// newParameterList lays out names and values, which must be the same length.
func newParameterList(names, values []string) parameterList {
	if len(names) == 0 {
		return parameterList{release: func() {}}
	}
	var pin runtime.Pinner
	pack := func(list []string) (**byte, *uintptr) {
		pointers := make([]*byte, len(list))
		lengths := make([]uintptr, len(list))
		for i, s := range list {
			pointers[i], lengths[i] = text(s)
			pin.Pin(pointers[i])
		}
		pin.Pin(&pointers[0])
		pin.Pin(&lengths[0])
		return &pointers[0], &lengths[0]
	}
	p := parameterList{count: uintptr(len(names)), keepNames: names, keepValues: values, release: pin.Unpin}
	p.names, p.nameLens = pack(names)
	p.values, p.valueLens = pack(values)
	return p
}
