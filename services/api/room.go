package api

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"spoilbook/services/ledger"
)

// Limits bound what the API holds at a time, so that neither many clients nor slow
// ones can fill the memory. A zero value means the default.
type Limits struct {
	BodyBytes int64         // of submissions that are read or handed over; 192 MiB
	InFlight  int           // events of one source that are received and not yet recorded; 8192
	Patience  time.Duration // how long a source at its limit waits for the intake to move; 5 s
	Reports   int           // computed at a time, for each holds the journal it was made of; 4
	Downloads int           // exports being sent, each in a file of its own; 64
	Queue     int           // requests that wait for one of the places above; 64
	Stall     time.Duration // how long a client may take nothing of an answer; 30 s
}

func (l *Limits) complete() {
	for _, c := range []struct {
		value     *int
		otherwise int
	}{{&l.InFlight, 8192}, {&l.Reports, 4}, {&l.Downloads, 64}, {&l.Queue, 64}} {
		if *c.value <= 0 {
			*c.value = c.otherwise
		}
	}
	if l.BodyBytes <= 0 {
		l.BodyBytes = 3 * MaxBodyBytes
	}
	if l.Patience <= 0 {
		l.Patience = 5 * time.Second
	}
	if l.Stall <= 0 {
		l.Stall = 30 * time.Second
	}
}

// gate lets a number of requests through at a time and has some wait; the others
// are told to come again.
type gate struct {
	slots   chan struct{}
	waiting atomic.Int64
	queue   int64
}

func newGate(slots, queue int) *gate {
	return &gate{slots: make(chan struct{}, slots), queue: int64(queue)}
}

// enter waits for room, for which leave must be called afterwards.
func (q *gate) enter(ctx context.Context) (leave func(), err error) {
	leave = sync.OnceFunc(func() { <-q.slots })
	select {
	case q.slots <- struct{}{}:
		return leave, nil
	default:
	}
	defer q.waiting.Add(-1)
	if q.waiting.Add(1) > q.queue {
		return nil, ledger.Fail(ledger.Busy, "%d requests of this kind run and %d wait", cap(q.slots), q.queue)
	}
	select {
	case q.slots <- struct{}{}:
		return leave, nil
	case <-ctx.Done():
		return nil, ledger.Wrap(ledger.TimedOut, ctx.Err(), "the server is busy with other requests")
	}
}

// room is memory for request bodies. A body takes what has come of it, not what was
// announced, so that a slow client can not reserve what others could use.
type room struct{ free atomic.Int64 }

func (r *room) take(n int64) bool {
	if r.free.Add(-n) >= 0 {
		return true
	}
	r.free.Add(n)
	return false
}

// read reads a body of an announced length, -1 when that is not known. The bytes
// count until leave is called, which may be called more than once.
func (r *room) read(body io.Reader, announced int64) (text []byte, leave func(), err error) {
	const first, read = 64 << 10, 512
	taken := int64(0)
	leave = sync.OnceFunc(func() { r.free.Add(taken) })
	for size := int64(first); ; size = 2 * int64(cap(text)) {
		if announced >= 0 {
			size = min(size, announced+read) // the end is found by a last read
		}
		size = max(size, int64(len(text))+read)
		if !r.take(size) {
			leave()
			return nil, leave, ledger.Fail(ledger.Busy, "the bodies of other requests fill the memory set aside for them")
		}
		grown := make([]byte, len(text), size)
		copy(grown, text)
		text = grown
		r.free.Add(taken)
		taken = size
		for len(text) < cap(text) && err == nil {
			var n int
			n, err = body.Read(text[len(text):cap(text)])
			text = text[:len(text)+n]
		}
		switch {
		case err == io.EOF:
			return text, leave, nil
		case err != nil:
			leave()
			return nil, leave, unread(err)
		}
	}
}

// unread says why a body could not be read.
func unread(err error) error {
	var long *http.MaxBytesError
	var network net.Error
	switch {
	case errors.As(err, &long):
		return httpProblem(http.StatusRequestEntityTooLarge, "the body has more than %d bytes", long.Limit)
	case errors.As(err, &network) && network.Timeout():
		return httpProblem(http.StatusRequestTimeout, "the body did not come in time")
	}
	return ledger.Wrap(ledger.BadRequest, err, "the body ended before its end")
}
