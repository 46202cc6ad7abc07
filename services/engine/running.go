package engine

import (
	"context"
	"sync"
	"time"
)

// running is a statement that holds a session. Whoever makes the engine work on
// it holds mu, so a holder of mu knows that the engine is idle.
type running struct {
	engine    *Engine
	pool      *sessionPool
	session   *connection
	ctx       context.Context // done when the caller, Close or cancel says so
	cancel    context.CancelCauseFunc
	stopWatch func() bool
	detach    func() bool
	done      chan struct{} // closed by finish

	mends int64 // that the engine had done when the statement began: see mended

	mu     sync.Mutex
	stream *stream // to be closed by finish, or nil
	ended  bool
}

// begin takes a session for a statement. The caller must lock mu to use it and
// call finish exactly once, unless ended is set.
func (e *Engine) begin(ctx context.Context, readOnly bool, key sessionKey) (*running, error) {
	pool := e.writers
	if readOnly {
		pool = e.readers
	}
	session, err := pool.acquire(ctx, e.closing, key)
	if err != nil {
		return nil, err
	}
	r := &running{engine: e, pool: pool, session: session, done: make(chan struct{}), mends: e.mends.Load()}
	r.ctx, r.cancel = context.WithCancelCause(ctx)
	// A context that is done already starts the watch at once; it must not finish
	// what is only half made.
	r.mu.Lock()
	defer r.mu.Unlock()
	r.detach = context.AfterFunc(e.stop, func() { r.cancel(ErrClosed) })
	r.stopWatch = context.AfterFunc(r.ctx, r.watch)
	return r, nil
}

// finish frees the session. The caller holds mu. A session whose statement was
// cancelled is not used again, so a kill that comes late can meet no other
// statement.
func (r *running) finish() {
	r.ended = true
	if r.stream != nil {
		r.stream.close()
		r.stream = nil
	}
	if !r.stopWatch() {
		r.session.spoiled = true
	}
	r.detach()
	close(r.done)
	r.pool.release(r.session)
	r.cancel(nil)
}

// watch ends the statement of a done context: at once when the engine is idle,
// and otherwise by killing it until its holder has noticed. A kill can come
// before the engine has listed the statement, so one is not enough.
func (r *running) watch() {
	for wait := 2 * time.Millisecond; ; wait = min(2*wait, 200*time.Millisecond) {
		if r.mu.TryLock() {
			if !r.ended {
				r.finish()
			}
			r.mu.Unlock()
			return
		}
		r.engine.kill(r.session.tag)
		select {
		case <-r.done:
			return
		case <-time.After(wait):
		}
	}
}

// cause returns err, or the reason why the context is done, which explains it.
func (r *running) cause(err error) error {
	if r.ctx.Err() != nil {
		return context.Cause(r.ctx)
	}
	return err
}

// kill asks the engine to stop the statement of a session and does not wait.
// It fails only when there is nothing left to kill.
func (e *Engine) kill(tag string) {
	e.controlMu.Lock()
	defer e.controlMu.Unlock()
	if e.control == nil {
		return
	}
	r, err := e.control.query("KILL QUERY WHERE startsWith(Settings['log_comment'], "+quoteString(tag)+") ASYNC",
		"TabSeparated", parameters{})
	if err == nil {
		r.free()
	}
}
