package sim

import (
	"cmp"
	"crypto/sha256"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// verdict is the auditor's last look, once all is quiet: at every row on the disk
// again and at every event that was ever accepted.
func (a *auditor) verdict(t *tables) {
	rows := slices.Clone(t.events)
	slices.SortFunc(rows, func(x, y ledger.Record) int { return cmp.Compare(x.Position, y.Position) })
	var again roots
	afterwards := make([][32]byte, 0, len(rows)+1)
	afterwards = append(afterwards, again.root())
	for i := range rows {
		r := &rows[i]
		if r.Position != uint64(i+1) {
			a.broken("at the end row %d has position %d: positions are not dense", i+1, r.Position)
			return
		}
		if i < len(a.positions) && sha256.Sum256(r.Body) != a.positions[i] {
			a.broken("position %d does not hold the bytes that were recorded there", r.Position)
		}
		again.add(r.Body)
		afterwards = append(afterwards, again.root())
	}
	if len(rows) != len(a.positions) {
		a.broken("%d events were recorded and %d are there", len(a.positions), len(rows))
	}
	for i := range t.blocks {
		if b := &t.blocks[i]; b.position >= uint64(len(afterwards)) || afterwards[b.position] != b.root {
			a.broken("the root of the block that ends at position %d is not that of the bytes recorded", b.position)
		}
	}
	a.everyEvent()
	a.everyMessage()
	a.everyGap()
}

// everyEvent looks for what was accepted and is neither recorded nor quarantined.
func (a *auditor) everyEvent() {
	raws := map[*claim][]string{}
	for raw, c := range a.byRaw {
		raws[c] = append(raws[c], raw)
	}
	for _, c := range a.claims {
		if !c.accepted || a.isRecorded(c) || slices.ContainsFunc(raws[c], func(raw string) bool { return a.held[raw] }) {
			continue
		}
		a.lost++
		a.broken("%s of %s (number %d) was accepted and is neither recorded nor quarantined", c.id, c.source, c.seq)
	}
}

// everyMessage looks for messages of the stream that nobody handled.
func (a *auditor) everyMessage() {
	stream := a.b.stream()
	if n := uint64(a.b.synced); a.handled[stream] != n {
		a.broken("the intake stands still at message %d of %d", a.handled[stream], n)
	}
}

// everyGap holds the last receipt of each source against what is recorded of it:
// the same numbers are missing.
func (a *auditor) everyGap() {
	sources := make([]events.Source, 0, len(a.lastReceipts))
	for s := range a.lastReceipts {
		sources = append(sources, s)
	}
	slices.SortFunc(sources, func(x, y events.Source) int { return strings.Compare(string(x), string(y)) })
	for _, s := range sources {
		if r := a.lastReceipts[s]; r.Through != a.through[s] || r.Highest != a.highest[s] {
			a.broken("the last receipt of %s says %d and %d, recorded are all up to %d and the highest is %d", s, r.Through, r.Highest, a.through[s], a.highest[s])
		}
		r := a.lastReceipts[s]
		for seq := uint64(1); seq <= a.highest[s] && len(r.Missing) < 100; seq++ {
			if r.has(seq) != a.numbers[s][seq] {
				a.broken("the last receipt of %s is wrong about number %d", s, seq)
			}
		}
	}
}
