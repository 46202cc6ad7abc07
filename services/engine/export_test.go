package engine

import "time"

// CloseWithin is Close with another patience for running statements.
func (e *Engine) CloseWithin(patience time.Duration) error {
	e.closeOnce.Do(func() { e.closeErr = e.shut(patience) })
	return e.closeErr
}
