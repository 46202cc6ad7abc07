package engine

import (
	"context"
	"fmt"
	"strings"
	"sync"
)

// sessionKey says what a session was set up for. A request runs only on a
// session with its own key, so that no request sees another's settings.
type sessionKey struct {
	readOnly bool
	database string
	settings string // the SET list, in order of names
}

// newSessionKey fixes the order of settings and quotes them.
func newSessionKey(readOnly bool, database string, settings map[string]string) sessionKey {
	list := make([]string, 0, len(settings))
	for _, name := range sortedKeys(settings) {
		list = append(list, quoteName(name)+" = "+quoteString(settings[name]))
	}
	return sessionKey{readOnly, database, strings.Join(list, ", ")}
}

// openSession starts a session and gives it the state of key. A read-only
// session has the reader role, which has no right to any source outside the
// databases, and ends with readonly = 1, after which the engine refuses to
// change a setting in any way.
func (e *Engine) openSession(key sessionKey) (*connection, error) {
	tag := fmt.Sprintf("engine-session-%d ", e.sessions.Add(1))
	c, err := dial(e.library, append(e.arguments[:len(e.arguments):len(e.arguments)], "--log_comment="+tag))
	if err != nil {
		return nil, err
	}
	c.tag, c.key = tag, key
	var setup []string
	if key.readOnly {
		setup = append(setup, "SET ROLE "+roleReader)
	}
	if key.database != "" {
		setup = append(setup, "USE "+quoteName(key.database))
	}
	if key.settings != "" {
		setup = append(setup, "SET "+key.settings)
	}
	if key.readOnly {
		setup = append(setup, "SET readonly = 1")
	}
	for _, statement := range setup {
		if err := c.exec(statement); err != nil {
			c.close()
			return nil, err
		}
	}
	return c, nil
}

// sessionPool holds at most limit sessions, in use and idle together.
type sessionPool struct {
	open  func(sessionKey) (*connection, error)
	slots chan struct{} // one element for each session in use
	mu    sync.Mutex
	idle  []*connection // oldest first
}

func newSessionPool(limit int, open func(sessionKey) (*connection, error)) *sessionPool {
	return &sessionPool{open: open, slots: make(chan struct{}, limit)}
}

// acquire waits for a place and returns a session with the key. It gives up
// when ctx is done or closing is closed.
func (p *sessionPool) acquire(ctx context.Context, closing <-chan struct{}, key sessionKey) (*connection, error) {
	select {
	case <-closing:
		return nil, ErrClosed
	default:
	}
	select {
	case p.slots <- struct{}{}:
	case <-closing:
		return nil, ErrClosed
	case <-ctx.Done():
		return nil, fmt.Errorf("wait for a free session of the ClickHouse engine: %w", context.Cause(ctx))
	}
	if c := p.reuse(key); c != nil {
		return c, nil
	}
	c, err := p.open(key)
	if err != nil {
		<-p.slots
		return nil, err
	}
	return c, nil
}

// reuse takes the newest idle session with the key, or makes room for another.
func (p *sessionPool) reuse(key sessionKey) *connection {
	p.mu.Lock()
	defer p.mu.Unlock()
	for i := len(p.idle) - 1; i >= 0; i-- {
		if c := p.idle[i]; c.key == key {
			p.idle = append(p.idle[:i], p.idle[i+1:]...)
			return c
		}
	}
	if len(p.idle) > 0 && len(p.idle)+len(p.slots) > cap(p.slots) {
		p.idle[0].close()
		p.idle = p.idle[1:]
	}
	return nil
}

// release gives a session back.
func (p *sessionPool) release(c *connection) {
	p.mu.Lock()
	if c.spoiled {
		c.close()
	} else {
		p.idle = append(p.idle, c)
	}
	p.mu.Unlock()
	<-p.slots
}

// dropIdle closes the sessions that are not in use, with whatever they hold of their last statement.
func (p *sessionPool) dropIdle() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.idle {
		c.close()
	}
	p.idle = nil
}

// drain waits until no session is in use, keeps it so, and closes the idle ones.
func (p *sessionPool) drain(ctx context.Context) error {
	for range cap(p.slots) {
		select {
		case p.slots <- struct{}{}:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	p.dropIdle()
	return nil
}
