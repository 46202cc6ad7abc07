package naive

import "spoilbook/events"

// stopped reports whether an emergency stop stood from from to to, and for which
// job: there is a
// press, with no restart between it and from. A stop that began before this shift
// stands in it only when it was restarted in it, or later, and no plant work lies
// between the end of the stop's own shift and the restart.
func (w window) stopped(from, to int64) (job events.JobID, yes bool) {
	for i, press := range w.ordered {
		if press.Kind() != events.KindEmergencyStopPressed || press.Occurred.UnixMS > from {
			continue
		}
		restart := w.restartAfter(i)
		if restart >= 0 && w.ordered[restart].Occurred.UnixMS < to {
			continue
		}
		if w.shift.has(press.Occurred.UnixMS) {
			return press.Job, true
		}
		if restart >= 0 && !w.plantWork(w.endOfShift(press.Occurred.UnixMS), w.ordered[restart].Occurred.UnixMS) {
			return press.Job, true
		}
	}
	return "", false
}

func (w window) restartAfter(press int) int {
	for i := press + 1; i < len(w.ordered); i++ {
		if w.ordered[i].Kind() == events.KindPlantRestarted {
			return i
		}
	}
	return -1
}

// endOfShift returns the end of the shift that a time lies in, or the time itself
// outside any.
func (w window) endOfShift(ms int64) int64 {
	for _, s := range w.shifts {
		if s.has(ms) {
			return s.To
		}
	}
	return ms
}

func (w window) plantWork(from, to int64) bool {
	for _, e := range w.ordered {
		begun, done := Span(e)
		switch e.Kind() {
		case events.KindLoadCollected, events.KindWaterDecanted, events.KindSpoilTipped:
			if from <= begun && begun < to && begun < done {
				return true
			}
		}
	}
	return false
}
