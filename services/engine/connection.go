package engine

import (
	"errors"
	"runtime"
	"unsafe"
)

// connection is one session of the engine. It runs one statement at a time and
// is not safe for concurrent use.
type connection struct {
	library *library
	owner   unsafe.Pointer // chdb_connection *, which closing takes
	handle  unsafe.Pointer // chdb_connection, which statements take
	tag     string         // unique prefix of its log_comment setting
	key     sessionKey
	spoiled bool // its session state is no longer what key says
}

// dial opens a session. The arguments are those of the whole engine and matter
// only for the first session, apart from query settings.
func dial(l *library, args []string) (*connection, error) {
	argv, release := arguments(args)
	defer release()
	owner := l.connect(int32(len(args)), argv)
	if owner == nil {
		return nil, errors.New("the engine refused to start a session")
	}
	return &connection{library: l, owner: owner, handle: *(*unsafe.Pointer)(owner)}, nil
}

func (c *connection) close() {
	c.library.closeConnection(c.owner)
	c.owner, c.handle = nil, nil
}

// parameters are the values of {name:Type} placeholders, in step.
type parameters struct{ names, values []string }

// result is one materialized result or one chunk of a stream. Its bytes are the
// library's memory and end with free.
type result struct {
	library *library
	pointer unsafe.Pointer
}

func (r result) bytes() []byte {
	n := r.library.resultLength(r.pointer)
	if n == 0 {
		return nil
	}
	return unsafe.Slice(r.library.resultBuffer(r.pointer), n)
}

func (r result) free() { r.library.destroyResult(r.pointer) }

// take checks a result and frees it when it holds an error.
func (c *connection) take(pointer unsafe.Pointer) (result, error) {
	if pointer == nil {
		return result{}, exceptionf(codeUnknownException, "the engine returned no result")
	}
	r := result{c.library, pointer}
	if message := c.library.resultError(pointer); message != "" {
		r.free()
		return result{}, newException(message)
	}
	return r, nil
}

// query runs a statement and waits for the whole result.
func (c *connection) query(sql, format string, p parameters) (result, error) {
	return c.take(c.call(c.library.query, sql, format, p))
}

// discard checks a result and drops it.
func (c *connection) discard(pointer unsafe.Pointer) error {
	r, err := c.take(pointer)
	if err != nil {
		return err
	}
	r.free()
	return nil
}

// exec runs a statement and drops its result.
func (c *connection) exec(sql string) error {
	return c.discard(c.call(c.library.query, sql, "TabSeparated", parameters{}))
}

// scalar runs a statement whose result is one value and returns it as text.
func (c *connection) scalar(sql string, p parameters) (string, error) {
	r, err := c.query(sql, "RawBLOB", p)
	if err != nil {
		return "", err
	}
	defer r.free()
	return string(r.bytes()), nil
}

type sqlFunction = func(connection unsafe.Pointer, sql *byte, sqlLen uintptr, format *byte, formatLen uintptr,
	names **byte, nameLens *uintptr, values **byte, valueLens *uintptr, count uintptr) unsafe.Pointer

func (c *connection) call(f sqlFunction, sql, format string, p parameters) unsafe.Pointer {
	list := newParameterList(p.names, p.values)
	defer list.release()
	s, sLen := text(sql)
	fm, fmLen := text(format)
	pointer := f(c.handle, s, sLen, fm, fmLen, list.names, list.nameLens, list.values, list.valueLens, list.count)
	runtime.KeepAlive(list)
	return pointer
}

// classify asks the engine's own parser what a text would do.
func (c *connection) classify(sql string) analysis {
	out := &analysis{structSize: uint32(unsafe.Sizeof(analysis{})), class: classUnknown}
	s, n := text(sql)
	if c.library.classify(c.handle, s, n, nil, 0, out) != 0 {
		return analysis{class: classUnknown}
	}
	return *out
}

// stream is a SELECT whose result is read chunk by chunk.
type stream struct {
	connection *connection
	pointer    unsafe.Pointer
}

// stream starts a SELECT. Errors of the analysis or execution mostly come with
// the first chunk.
func (c *connection) stream(sql, format string, p parameters) (*stream, error) {
	r, err := c.take(c.call(c.library.streamQuery, sql, format, p))
	if err != nil {
		return nil, err
	}
	return &stream{c, r.pointer}, nil
}

// next returns the next chunk, or one without bytes at the end.
func (s *stream) next() (result, error) {
	return s.connection.take(s.connection.library.streamFetch(s.connection.handle, s.pointer))
}

// close stops the statement if it still runs and frees the stream.
func (s *stream) close() {
	s.connection.library.streamCancel(s.connection.handle, s.pointer)
	s.connection.library.destroyResult(s.pointer)
}

// insertion is an INSERT that is fed with data.
type insertion struct {
	connection *connection
	pointer    unsafe.Pointer
}

// insert starts an INSERT whose data follow in the given format. The statement
// must have no FORMAT or VALUES clause.
func (c *connection) insert(sql, format string, p parameters) (*insertion, error) {
	pointer := c.call(c.library.streamInsert, sql, format, p)
	if pointer == nil {
		return nil, exceptionf(codeUnknownException, "the engine returned no insert stream")
	}
	i := &insertion{c, pointer}
	if message := c.library.streamInsertError(pointer); message != "" {
		i.free()
		return nil, newException(message)
	}
	return i, nil
}

var errInsertStopped = errors.New("the engine stopped reading the insert")

// append hands over data, which the engine copies. It blocks while the engine
// is behind. After errInsertStopped, commit tells the reason.
func (i *insertion) append(data []byte) error {
	if len(data) == 0 {
		return nil
	}
	if i.connection.library.streamAppend(i.pointer, &data[0], uintptr(len(data))) != 0 {
		return errInsertStopped
	}
	return nil
}

// commit ends the data, waits until they are stored and returns the rows and
// bytes written.
func (i *insertion) commit() (rows, bytes uint64, err error) {
	r, err := i.connection.take(i.connection.library.streamDone(i.pointer))
	if err != nil {
		return 0, 0, err
	}
	defer r.free()
	l := i.connection.library
	return l.resultRowsWritten(r.pointer), l.resultByteWritten(r.pointer), nil
}

// cancel drops what has not been stored.
func (i *insertion) cancel() { i.connection.library.streamCancelInsert(i.pointer) }

func (i *insertion) free() { i.connection.library.destroyInsertStream(i.pointer) }

// quoteString writes s as a ClickHouse string literal.
func quoteString(s string) string {
	b := make([]byte, 0, len(s)+2)
	b = append(b, '\'')
	for i := range len(s) {
		switch s[i] {
		case '\'', '\\':
			b = append(b, '\\', s[i])
		case 0:
			b = append(b, '\\', '0')
		default:
			b = append(b, s[i])
		}
	}
	return string(append(b, '\''))
}

// quoteName writes s as a ClickHouse identifier.
func quoteName(s string) string {
	q := quoteString(s)
	return "`" + escapeBackticks(q[1:len(q)-1]) + "`"
}

func escapeBackticks(s string) string {
	var b []byte
	for i := range len(s) {
		if s[i] == '`' {
			b = append(b, '\\')
		}
		b = append(b, s[i])
	}
	return string(b)
}
