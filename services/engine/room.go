package engine

import "time"

// Merges that meet a full disk leave hollow parts (see mend). So a merge, and an insert, are refused while less is free than Options.KeepFree and
// what they need themselves, and merges that run are stopped before others have filled the disk.
const (
	DefaultKeepFree = 32 << 20 // bytes
	roomLook        = 250 * time.Millisecond
)

// watchRoom stops merges while little room is left on the disk, and lets them go on when there is more again.
func (e *Engine) watchRoom() {
	tick := time.NewTicker(roomLook)
	defer tick.Stop()
	stopped := false
	for {
		select {
		case <-e.closing:
			return
		case <-tick.C:
		}
		free, known := diskFree(e.options.Dir)
		if !known {
			return
		}
		keep := uint64(e.options.KeepFree)
		switch {
		case !stopped && free < 2*keep:
			stopped = e.command("SYSTEM STOP MERGES")
		case stopped && free >= 3*keep:
			stopped = !e.command("SYSTEM START MERGES")
		}
	}
}

// command runs a statement that does not wait, and reports whether it was obeyed.
func (e *Engine) command(statement string) bool {
	e.controlMu.Lock()
	defer e.controlMu.Unlock()
	return e.control != nil && e.control.exec(statement) == nil
}
