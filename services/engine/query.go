package engine

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
)

// query starts a SELECT and answers with its chunks as they are made. It
// returns nothing, and has done nothing, when the engine can not stream the
// statement.
func (r *running) query(s statement, format string) (*answer, error) {
	st, err := r.session.stream(s.sql, s.format, s.parameters)
	var e *Exception
	if errors.As(err, &e) && e.Code == 36 && strings.Contains(e.Text, "Streaming query is not supported") {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	r.stream = st
	first, err := st.next()
	if err != nil {
		return nil, err
	}
	if len(first.bytes()) == 0 {
		first.free()
		r.finish()
		return &answer{body: http.NoBody, format: format}, nil
	}
	body := &rows{running: r, chunk: first, held: true, rest: first.bytes(), tag: newTag()}
	return &answer{body: body, length: -1, format: format, tag: body.tag}, nil
}

// rows is the body of a streamed result. It pulls the next chunk when the last
// one has been read, so the engine is never far ahead of its reader.
type rows struct {
	running *running
	tag     string

	// Guarded by running.mu.
	chunk result
	held  bool   // chunk is ours to free
	rest  []byte // of chunk
	tail  []byte // exception block after the last chunk
	err   error  // after tail
}

var errBodyClosed = errors.New("the result was closed before its end")

// Read returns the next bytes. After an error of the engine it first returns an
// exception block, which ClickHouse clients know, and then the error.
func (b *rows) Read(p []byte) (int, error) {
	r := b.running
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.ended && b.err == nil {
		b.end(r.cause(errBodyClosed))
	}
	for b.err == nil && len(b.rest) == 0 {
		b.pull()
	}
	if len(b.rest) > 0 {
		n := copy(p, b.rest)
		b.rest = b.rest[n:]
		return n, nil
	}
	if len(b.tail) > 0 {
		n := copy(p, b.tail)
		b.tail = b.tail[n:]
		return n, nil
	}
	return 0, b.err
}

// pull replaces the chunk by the next one or ends the body.
func (b *rows) pull() {
	r := b.running
	b.drop()
	chunk, err := r.stream.next()
	switch {
	case err != nil && r.ctx.Err() != nil:
		b.end(r.cause(err))
	case err != nil:
		b.end(err)
		b.tail = exceptionBlock(b.tag, asException(r.engine.mended(err, r.mends)).Text)
	case len(chunk.bytes()) == 0:
		chunk.free()
		b.end(io.EOF)
	default:
		b.chunk, b.held, b.rest = chunk, true, chunk.bytes()
	}
}

// drop frees the chunk.
func (b *rows) drop() {
	b.rest = nil
	if b.held {
		b.chunk.free()
		b.held = false
	}
}

// end makes err what Read returns and frees everything.
func (b *rows) end(err error) {
	b.drop()
	b.err = err
	if !b.running.ended {
		b.running.finish()
	}
}

// Close stops the statement if it still runs. It may be called during a Read,
// which then returns an error.
func (b *rows) Close() error {
	r := b.running
	r.cancel(errBodyClosed)
	r.mu.Lock()
	defer r.mu.Unlock()
	b.tail = nil
	if b.err == nil || b.err == io.EOF {
		b.end(errBodyClosed)
	}
	return nil
}

// newTag makes the 16 characters that tell an exception block from data.
func newTag() string { return rand.Text()[:16] }

// exceptionBlock is how ClickHouse ends a result that failed after its status
// was sent.
func exceptionBlock(tag, message string) []byte {
	const limit = 16<<10 - 100
	if len(message) > limit {
		message = message[:limit]
	}
	return fmt.Appendf(nil, "\r\n__exception__\r\n%s\r\n%s\n%d %s\r\n__exception__\r\n", tag, message, len(message)+1, tag)
}
