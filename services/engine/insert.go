package engine

import (
	"fmt"
	"io"
	"strings"
)

// insertChunk is how many bytes are handed to the engine at a time.
const insertChunk = 256 << 10

// insert stores the rows of a body. They are committed when the whole body has
// been read and parsed; before that every error drops them. An empty Native
// body is an error, because a client that fails to encode its batch sends one.
func (r *running) insert(s statement) (*answer, error) {
	body := &bodyReader{source: s.data, limit: r.engine.options.MaxInsert, size: s.size}
	buffer := make([]byte, insertChunk)
	n, err := body.fill(buffer)
	if err != nil && err != io.EOF {
		return nil, err
	}
	if n == 0 && strings.EqualFold(s.format, "Native") {
		return nil, exceptionf(codeNoDataToInsert, "The insert has no data; a client whose batch could not be encoded, for example because its columns differ in length, sends none. (NO_DATA_TO_INSERT)")
	}
	i, openErr := r.session.insert(s.sql, s.format, s.parameters)
	if openErr != nil {
		return nil, openErr
	}
	defer i.free()
	for {
		if i.append(buffer[:n]) != nil {
			break // commit tells why
		}
		if err == io.EOF {
			break
		}
		if n, err = body.fill(buffer); err != nil && err != io.EOF {
			i.cancel()
			r.session.spoiled = true
			return nil, err
		}
	}
	if r.ctx.Err() != nil {
		i.cancel()
		return nil, r.cause(nil)
	}
	rows, size, commitErr := i.commit()
	if commitErr != nil {
		return nil, commitErr
	}
	if err != io.EOF {
		return nil, exceptionf(codeUnfinished, "The engine stopped reading the insert without a reason. (ABORTED)")
	}
	r.finish()
	a := newAnswer(nil, s.format)
	a.summary = summary{rows, size, rows, size}
	return a, nil
}

// bodyReader reads a body that must be neither too long nor cut short.
type bodyReader struct {
	source io.Reader
	limit  int64
	size   int64 // announced, or -1
	read   int64
}

// fill reads until the buffer is full. io.EOF means that the body is complete,
// with or without bytes; every other error means that it is not.
func (b *bodyReader) fill(buffer []byte) (n int, err error) {
	for idle := 0; n < len(buffer) && err == nil && idle < 100; idle++ {
		var m int
		if m, err = b.source.Read(buffer[n:]); m > 0 {
			idle = 0
		}
		n += m
	}
	b.read += int64(n)
	switch {
	case b.read > b.limit:
		return 0, exceptionf(codeNotImplemented, "The insert is longer than %d bytes; split it into several. (NOT_IMPLEMENTED)", b.limit)
	case err == io.EOF && b.size >= 0 && b.read != b.size:
		return 0, exceptionf(codeUnfinished, "The body of the insert ended after %d of %d bytes. (ABORTED)", b.read, b.size)
	case err == nil && n < len(buffer):
		err = io.ErrNoProgress
	}
	if err != nil && err != io.EOF {
		return 0, fmt.Errorf("read the body of the insert: %w", err)
	}
	return n, err
}
