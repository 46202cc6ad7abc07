package engine

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"maps"
	"net/http"
	"strings"
)

// statement is one request to the engine.
type statement struct {
	sql      string // without the data of an insert
	isInsert bool   // an insert that carries data
	data     io.Reader
	size     int64 // of data in bytes, or -1

	format     string // of data, or of the result unless sql names one
	database   string
	settings   map[string]string
	parameters parameters
	readOnly   bool
	whole      bool // answer only when the result is complete
}

// answer is the engine's reply. The body must be closed.
type answer struct {
	body    io.ReadCloser
	length  int64  // of body in bytes, or -1
	format  string // of body
	tag     string // of the exception block that may end the body
	summary summary
}

// summary is the content of X-ClickHouse-Summary.
type summary struct {
	readRows, readBytes, writtenRows, writtenBytes uint64
}

// run starts a statement and returns when its answer begins. An error is an
// *Exception or that of ctx.
func (e *Engine) run(ctx context.Context, s statement) (*answer, error) {
	settings := s.settings
	if s.isInsert {
		settings = insertSettings()
		maps.Copy(settings, s.settings)
	}
	if s.readOnly {
		if err := checkReadOnly(s); err != nil {
			return nil, err
		}
	}
	r, err := e.begin(ctx, s.readOnly, newSessionKey(s.readOnly, s.database, settings))
	if err != nil {
		return nil, err
	}
	if s.isInsert {
		e.mending.RLock()
		defer e.mending.RUnlock()
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.ended {
		return nil, context.Cause(r.ctx)
	}
	a, err := r.start(s)
	if err != nil {
		err = r.cause(err)
		r.finish()
		return nil, e.mended(err, r.mends)
	}
	return a, nil
}

// checkReadOnly refuses what can be told from the text alone.
func checkReadOnly(s statement) error {
	if s.isInsert {
		return exceptionf(codeReadonly, "An insert was refused: this port is read-only. (READONLY)")
	}
	if mayReadHostFile(s.sql) {
		return exceptionf(codeReadonly, "The function file and names that could hide it are refused: this port must not read the host's files. (READONLY)")
	}
	return nil
}

// start runs the statement up to the first bytes of its result. The caller
// holds mu and calls finish after an error.
func (r *running) start(s statement) (*answer, error) {
	if s.isInsert {
		return r.insert(s)
	}
	if s.readOnly {
		if err := r.checkClass(s.sql, true); err != nil {
			return nil, err
		}
	}
	format, certain := outputFormat(s.sql)
	if format == "" {
		format = s.format
	}
	if certain && streamable(format) && !s.whole {
		a, err := r.query(s, format)
		if a != nil || err != nil {
			return a, err
		}
	}
	if !s.readOnly {
		if err := r.checkClass(s.sql, false); err != nil {
			return nil, err
		}
	}
	return r.materialize(s, format)
}

// checkClass asks the engine's parser about the statement: more than one are
// refused, as a server does, and on a read-only session all that do more than
// read. A session whose state may change is not used again.
func (r *running) checkClass(sql string, readOnly bool) error {
	a := r.session.classify(sql)
	switch {
	case a.class == classUnknown:
		// formatQuery is the way to the parser's own message.
		_, err := r.session.scalar("SELECT formatQuery({q:String})", parameters{[]string{"q"}, []string{escapeParameter(sql)}})
		if err != nil {
			return err
		}
		if readOnly {
			return exceptionf(codeReadonly, "The statement is of a kind that this read-only port does not know. (READONLY)")
		}
	case a.statementCount > 1:
		return exceptionf(codeSyntaxError, "Multi-statements are not allowed. (SYNTAX_ERROR)")
	case readOnly && a.class != classReadOnly:
		return exceptionf(codeReadonly, "The statement was refused: this port is read-only. (READONLY)")
	}
	r.session.spoiled = r.session.spoiled || a.class != classReadOnly
	return nil
}

// escapeParameter writes a string as the text of a String parameter.
func escapeParameter(s string) string {
	return strings.NewReplacer(`\`, `\\`, "\t", `\t`, "\n", `\n`, "\r", `\r`, "\x00", `\0`).Replace(s)
}

// materialize runs any statement and answers with its whole result.
func (r *running) materialize(s statement, format string) (*answer, error) {
	res, err := r.session.query(s.sql, format, s.parameters)
	if err != nil {
		return nil, err
	}
	body := bytes.Clone(res.bytes())
	l := res.library
	a := newAnswer(body, format)
	a.summary = summary{l.resultRowsRead(res.pointer), l.resultBytesRead(res.pointer),
		l.resultRowsWritten(res.pointer), l.resultByteWritten(res.pointer)}
	res.free()
	r.finish()
	return a, nil
}

// newAnswer is an answer that is known in full.
func newAnswer(body []byte, format string) *answer {
	a := &answer{body: http.NoBody, length: int64(len(body)), format: format}
	if len(body) > 0 {
		a.body = io.NopCloser(bytes.NewReader(body))
	}
	return a
}

// json is the header's text.
func (s summary) json() string {
	return fmt.Sprintf(`{"read_rows":"%d","read_bytes":"%d","written_rows":"%d","written_bytes":"%d","total_rows_to_read":"0","result_rows":"0","result_bytes":"0","elapsed_ns":"0"}`,
		s.readRows, s.readBytes, s.writtenRows, s.writtenBytes)
}
