package api

import (
	"bytes"
	"errors"
	"io"
	"net"
	"net/http"
	"os"
	"sync"
	"time"

	"github.com/gin-gonic/gin"
)

const (
	// spooledBytes of an export are kept in memory, the rest goes to a file.
	spooledBytes = 4 << 20
	// sentBytes of an answer must be taken by its client within Limits.Stall.
	sentBytes = 256 << 10
)

// spool holds an export that is complete and not sent yet. An export is written
// whole before its first byte is sent, so that a slow client holds no report, and a
// failure is answered as one instead of breaking a download off.
type spool struct {
	head bytes.Buffer
	file *os.File
	size int64
}

// Write keeps more of the export.
func (s *spool) Write(b []byte) (int, error) {
	s.size += int64(len(b))
	if s.file == nil && s.head.Len()+len(b) <= spooledBytes {
		return s.head.Write(b)
	}
	if s.file == nil {
		f, err := os.CreateTemp("", "spoilbook-export-")
		if err != nil {
			return 0, err
		}
		s.file = f
	}
	return s.file.Write(b)
}

// WriteTo sends the export.
func (s *spool) WriteTo(w io.Writer) (int64, error) {
	n, err := s.head.WriteTo(w)
	if err != nil || s.file == nil {
		return n, err
	}
	if _, err := s.file.Seek(0, io.SeekStart); err != nil {
		return n, err
	}
	m, err := io.Copy(w, s.file)
	return n + m, err
}

// Close removes what is left of the export.
func (s *spool) Close() error {
	if s.file == nil {
		return nil
	}
	return errors.Join(s.file.Close(), os.Remove(s.file.Name()))
}

// steadyWriter breaks an answer off whose client stops taking it. The time runs for
// each piece anew, so a slow link gets a long answer and a dead one is let go.
type steadyWriter struct {
	gin.ResponseWriter
	control *http.ResponseController
	stall   time.Duration
	end     time.Time // of the answer, however steadily it is taken
}

// Write sends b in pieces.
func (w steadyWriter) Write(b []byte) (n int, err error) {
	for {
		piece := b[n:min(len(b), n+sentBytes)]
		if err := w.control.SetWriteDeadline(w.deadline()); err != nil && !errors.Is(err, http.ErrNotSupported) {
			return n, err
		}
		m, err := w.ResponseWriter.Write(piece)
		n += m
		if err != nil || n >= len(b) {
			return n, err
		}
	}
}

func (w steadyWriter) deadline() time.Time {
	if at := time.Now().Add(w.stall); at.Before(w.end) {
		return at
	}
	return w.end
}

// Unwrap lets others reach the connection.
func (w steadyWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// WriteString sends s in pieces.
func (w steadyWriter) WriteString(s string) (int, error) { return w.Write([]byte(s)) }

// Limited returns a listener that has at most n connections open; further clients
// wait in the system's own queue, which is bounded too.
func Limited(l net.Listener, n int) net.Listener {
	return &limited{Listener: l, slots: make(chan struct{}, n), closed: make(chan struct{})}
}

type limited struct {
	net.Listener
	slots  chan struct{}
	closed chan struct{}
	once   sync.Once
}

// Accept waits until a connection may be opened, and for a client.
func (l *limited) Accept() (net.Conn, error) {
	select {
	case l.slots <- struct{}{}:
	case <-l.closed:
		return nil, net.ErrClosed
	}
	c, err := l.Listener.Accept()
	if err != nil {
		<-l.slots
		return nil, err
	}
	return &counted{Conn: c, leave: sync.OnceFunc(func() { <-l.slots })}, nil
}

// Close stops accepting.
func (l *limited) Close() error {
	l.once.Do(func() { close(l.closed) })
	return l.Listener.Close()
}

type counted struct {
	net.Conn
	leave func()
}

// Close closes the connection and makes room for another.
func (c *counted) Close() error {
	defer c.leave()
	return c.Conn.Close()
}
