package sim

import "time"

// link carries messages between a truck and the hub, as far as it does.
type link struct {
	w       *world
	p       *profile
	name    string
	offline bool
	onBack  func()
}

func newLink(w *world, p *profile, name string) *link {
	l := &link{w: w, p: p, name: name}
	w.scheduled(p.offline, func() {
		if l.offline {
			return
		}
		l.offline = true
		w.count("link-offline")
		// A tunnel, a valley, or a job at the end of the world.
		length := w.about(20 * time.Minute)
		if w.chance(0.15) {
			length = w.between(24*time.Hour, 72*time.Hour)
			w.count("link-offline-for-days")
		}
		w.log(name, "offline for %v", length.Round(time.Second))
		w.after(length, l.back)
	})
	return l
}

// back ends a time offline.
func (l *link) back() {
	if l.offline {
		l.offline = false
		l.w.log(l.name, "online again")
		l.onBack()
	}
}

// carry has arrive happen once, twice or never, soon or late. Later messages
// overtake late ones.
func (l *link) carry(arrive func()) {
	if l.offline || l.w.fault("link-loss", l.p.loss) {
		return
	}
	copies := 1
	if l.w.fault("link-duplicate", l.p.twice) {
		copies = 2
	}
	for range copies {
		delay := l.w.between(20*time.Millisecond, 800*time.Millisecond)
		if l.w.fault("link-late-and-reordered", l.p.late) {
			delay = l.w.between(time.Minute, 40*time.Minute)
		}
		l.w.after(delay, arrive)
	}
}
