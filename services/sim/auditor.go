package sim

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"time"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// claim is an event, or what passes for one, as its maker knows it.
type claim struct {
	identity
	seq       uint64
	truck     events.TruckID
	subject   string // where it belongs
	canonical string // bytes as they should be recorded; empty when unreadable
	occurred  int64  // by the maker's clock, ms
	stop      bool   // an emergency stop
	registers events.TruckID
	accepted  bool // synced where it was made, so it may never be lost
}

// messageKey is a place in a stream.
type messageKey struct {
	stream string
	seq    uint64
}

// auditor knows from their makers what was said, and looks at the rows on the
// store's disk, at receipts and at acknowledgements as they happen. It uses none
// of the code that it judges, and none of the store's answers.
type auditor struct {
	w *world
	b *broker

	byRaw       map[string]*claim // by bytes on the wire
	byCanonical map[string]*claim
	claims      []*claim
	bodies      map[identity]map[string]bool // canonical bytes said under an identity
	ids         map[number]map[string]bool   // ids said under a number

	positions    [][32]byte // SHA-256 of the bytes at each position
	at           map[identity]uint64
	bytes        map[identity]string // recorded
	numbers      map[events.Source]map[uint64]bool
	through      map[events.Source]uint64
	highest      map[events.Source]uint64
	fates        map[messageKey]string
	held         map[string]bool // raw bytes in quarantine
	registered   map[events.TruckID]bool
	handled      map[string]uint64
	lastSeq      map[string]uint64 // of the last message recorded of a stream
	entries      uint64
	roots        roots
	lastReceipts map[events.Source]receiptNote

	violations, lost, doubled, undetected int
	first                                 string
	tail                                  []string
}

func newAuditor(w *world) *auditor {
	return &auditor{w: w, byRaw: map[string]*claim{}, byCanonical: map[string]*claim{}, bodies: map[identity]map[string]bool{},
		ids: map[number]map[string]bool{}, at: map[identity]uint64{}, bytes: map[identity]string{}, numbers: map[events.Source]map[uint64]bool{},
		through: map[events.Source]uint64{}, highest: map[events.Source]uint64{}, fates: map[messageKey]string{}, held: map[string]bool{},
		registered: map[events.TruckID]bool{}, handled: map[string]uint64{}, lastSeq: map[string]uint64{}, lastReceipts: map[events.Source]receiptNote{}}
}

// mostViolations ends a run in which nothing is as it should be.
const mostViolations = 100

// broken notes a broken promise.
func (a *auditor) broken(format string, args ...any) {
	if a.violations++; a.violations == mostViolations {
		a.w.over = true
	}
	if a.first == "" {
		a.first = fmt.Sprintf(format, args...)
		a.w.log("AUDITOR", "%s", a.first)
		a.tail = a.w.trace.tail()
	}
}

// said notes bytes that somebody is about to send.
func (a *auditor) said(raw string, c *claim) *claim {
	if known := a.byRaw[raw]; known != nil {
		return known
	}
	a.byRaw[raw] = c
	a.claims = append(a.claims, c)
	if c.canonical == "" {
		return c
	}
	if a.byCanonical[c.canonical] == nil {
		a.byCanonical[c.canonical] = c
	}
	put(a.bodies, c.identity, c.canonical)
	put(a.ids, number{c.source, c.seq}, c.id)
	return c
}

func put[K comparable, V comparable](m map[K]map[V]bool, k K, v V) {
	if m[k] == nil {
		m[k] = map[V]bool{}
	}
	m[k][v] = true
}

// recorded looks at rows that were just stored.
func (a *auditor) recorded(rs []ledger.Record) {
	for i := range rs {
		a.record(&rs[i])
	}
}

func (a *auditor) record(r *ledger.Record) {
	if want := uint64(len(a.positions) + 1); r.Position != want {
		if r.Position < want {
			a.doubled++
		}
		a.broken("position %d was given where %d is next", r.Position, want)
	}
	c := a.byCanonical[string(r.Body)]
	if c == nil {
		a.broken("position %d holds bytes that nobody said: %.200s", r.Position, r.Body)
		return
	}
	if r.Source != c.source || r.ID != c.id || r.Seq != c.seq || r.Truck != c.truck || r.Occurred.UnixMS != c.occurred {
		a.broken("the columns of position %d do not say what its event says", r.Position)
	}
	if at := a.at[c.identity]; at != 0 {
		a.doubled++
		a.broken("%s of %s counts twice, at positions %d and %d", c.id, c.source, at, r.Position)
	}
	if a.numbers[c.source][c.seq] {
		a.doubled++
		a.broken("number %d of %s counts twice, again at position %d", c.seq, c.source, r.Position)
	}
	a.origin(r, c)
	a.positions = append(a.positions, sha256.Sum256(r.Body))
	a.roots.add(r.Body)
	a.at[c.identity], a.bytes[c.identity] = r.Position, c.canonical
	put(a.numbers, c.source, c.seq)
	for a.numbers[c.source][a.through[c.source]+1] {
		a.through[c.source]++
	}
	a.highest[c.source] = max(a.highest[c.source], c.seq)
	if c.registers != "" {
		a.registered[c.registers] = true
	}
}

// origin holds a recorded row against the message that brought it.
func (a *auditor) origin(r *ledger.Record, c *claim) {
	m := a.message(r.Stream, r.StreamSeq)
	switch {
	case m == nil || a.byRaw[string(m.Body)] == nil || a.byRaw[string(m.Body)].canonical != c.canonical:
		a.broken("position %d does not hold what message %d said", r.Position, r.StreamSeq)
		return
	case a.ahead(c, m.Received):
		a.broken("position %d was recorded though its clock was a day ahead", r.Position)
	case a.unknown(c):
		a.broken("position %d was recorded though truck %s was not in the register", r.Position, c.truck)
	case m.Subject != c.subject:
		a.broken("position %d was recorded though %s was published on %s", r.Position, c.source, m.Subject)
	}
	if r.StreamSeq <= a.lastSeq[r.Stream] {
		a.broken("position %d does not follow the stream: message %d came after %d", r.Position, r.StreamSeq, a.lastSeq[r.Stream])
	}
	a.lastSeq[r.Stream] = r.StreamSeq
	a.fate(messageKey{r.Stream, r.StreamSeq}, "recorded")
}

func (a *auditor) fate(k messageKey, fate string) {
	if had := a.fates[k]; had != "" {
		a.broken("message %d of %s has two fates, %s and %s", k.seq, k.stream, had, fate)
	}
	a.fates[k] = fate
}

func (a *auditor) message(stream string, seq uint64) *ledger.Delivery {
	if log := a.b.logs[stream]; seq >= 1 && seq <= uint64(len(log)) {
		return &log[seq-1]
	}
	return nil
}

func (a *auditor) ahead(c *claim, received time.Time) bool {
	return !c.stop && c.occurred-received.UnixMilli() > (24*time.Hour).Milliseconds()
}

func (a *auditor) unknown(c *claim) bool { return !c.stop && c.truck != "" && !a.registered[c.truck] }

// quarantined looks at quarantine rows that were just stored.
func (a *auditor) quarantined(qs []ledger.Quarantined) {
	for i := range qs {
		q := &qs[i]
		if a.entries++; q.Entry != a.entries {
			a.broken("quarantine entry %d was given where %d is next", q.Entry, a.entries)
		}
		m := a.message(q.Stream, q.StreamSeq)
		c := a.byRaw[string(q.Body)]
		if m == nil || c == nil || string(m.Body) != string(q.Body) || m.Subject != q.Subject || !m.Received.Equal(q.Received) {
			a.broken("quarantine entry %d does not hold message %d of %s whole", q.Entry, q.StreamSeq, q.Stream)
			continue
		}
		if !a.deserved(q, c) {
			a.broken("quarantine entry %d was refused as %q without cause: %s", q.Entry, q.Code, q.Reason)
		}
		a.held[string(q.Body)] = true
		a.fate(messageKey{q.Stream, q.StreamSeq}, "quarantined")
	}
}

// deserved reports whether a refusal has a cause.
func (a *auditor) deserved(q *ledger.Quarantined, c *claim) bool {
	switch q.Code {
	case "invalid":
		return c.canonical == ""
	case "wrong-subject":
		return q.Subject != c.subject
	case "clock-far-ahead":
		return a.ahead(c, q.Received)
	case "unknown-truck":
		return a.unknown(c)
	case "same-id-other-body":
		return len(a.bodies[c.identity]) > 1
	case "number-taken":
		return len(a.ids[number{c.source, c.seq}]) > 1
	}
	return false
}

// block looks at a block line that was just stored: everything up to its last
// message has a fate now, and its root is that of the bytes recorded.
func (a *auditor) block(b blockLine) {
	if b.position != uint64(len(a.positions)) {
		a.broken("the block of messages %d to %d says position %d, but %d are recorded", b.firstSeq, b.lastSeq, b.position, len(a.positions))
	}
	if root := a.roots.root(); root != b.root {
		a.broken("the root after position %d is not that of the bytes recorded", b.position)
	}
	for seq := a.handled[b.stream] + 1; seq <= b.lastSeq; seq++ {
		if m := a.message(b.stream, seq); m == nil || !a.settled(m) {
			a.broken("message %d of %s counts as handled but has no fate", seq, b.stream)
		}
	}
	a.handled[b.stream] = max(a.handled[b.stream], b.lastSeq)
}

// settled reports whether what a message says is recorded or quarantined.
func (a *auditor) settled(m *ledger.Delivery) bool {
	c := a.byRaw[string(m.Body)]
	return c != nil && (a.held[string(m.Body)] || a.isRecorded(c))
}

// isRecorded reports whether exactly what a claim says is recorded.
func (a *auditor) isRecorded(c *claim) bool {
	return c.canonical != "" && a.at[c.identity] != 0 && a.bytes[c.identity] == c.canonical
}

// acknowledged looks at an acknowledgement on its way to the broker.
func (a *auditor) acknowledged(stream string, upTo uint64) {
	if upTo > a.handled[stream] {
		a.broken("message %d of %s is acknowledged, but only %d are handled", upTo, stream, a.handled[stream])
	}
}

// receiptNote is a receipt as its reader understands it.
type receiptNote struct {
	Source   events.Source `json:"source"`
	Through  uint64        `json:"recordedThrough"`
	Highest  uint64        `json:"highest"`
	Position uint64        `json:"position"`
	Missing  []struct {
		From uint64 `json:"from"`
		To   uint64 `json:"to"`
	} `json:"missing"`
}

// has reports whether the receipt says that a number is recorded.
func (r *receiptNote) has(seq uint64) bool {
	for _, m := range r.Missing {
		if m.From <= seq && seq < m.To {
			return false
		}
	}
	return seq <= r.Highest
}

// receipt looks at a receipt that is published.
func (a *auditor) receipt(subject string, body []byte) {
	var r receiptNote
	if err := json.Unmarshal(body, &r); err != nil {
		a.broken("a receipt on %s can not be read: %v", subject, err)
		return
	}
	switch {
	case r.Through > a.through[r.Source]:
		a.broken("a receipt promises %s that all up to %d is recorded, but it is only up to %d", r.Source, r.Through, a.through[r.Source])
	case r.Highest > a.highest[r.Source]:
		a.broken("a receipt promises %s number %d, but the highest recorded is %d", r.Source, r.Highest, a.highest[r.Source])
	case r.Position > uint64(len(a.positions)):
		a.broken("a receipt names position %d, but %d are recorded", r.Position, len(a.positions))
	}
	for seq := r.Through + 1; seq <= r.Highest; seq++ {
		if r.has(seq) && !a.numbers[r.Source][seq] {
			a.broken("a receipt promises %s number %d, which is not recorded", r.Source, seq)
		}
	}
	a.lastReceipts[r.Source] = r
}
