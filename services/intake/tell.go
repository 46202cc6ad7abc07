package intake

import (
	"spoilbook/events"
)

// SourceProgress is what one block recorded of a source.
type SourceProgress struct {
	Recorded int
	Highest  uint64 // number, of all that is recorded
}

// maxTold is how many quarantined messages of one block the log names.
const maxTold = 20

// progress says what a block did, once it is stored.
func (in *Intake) progress(d *draft, last *judged) Progress {
	p := Progress{Recorded: len(d.Records), Duplicates: int(d.Duplicates), Quarantined: len(d.Quarantined), Position: d.Position,
		FirstSeq: d.FirstSeq, StreamSeq: d.LastSeq, At: d.At, Lag: in.Now().Sub(last.Received),
		Sources: map[events.Source]SourceProgress{}, Refused: map[string]int{}}
	for s, c := range d.counts {
		if c.Recorded > 0 {
			p.Sources[s] = SourceProgress{c.Recorded, in.sources[s].Highest()}
		}
	}
	for i := range d.Quarantined {
		p.Refused[d.Quarantined[i].Code]++
	}
	return p
}

// tell writes to the log what became of a block and of what it refused.
func (in *Intake) tell(d *draft, p *Progress) {
	in.Logger.Info("intake: block stored", "stream", d.Stream, "first", p.FirstSeq, "last", p.StreamSeq, "position", p.Position,
		"recorded", p.Recorded, "duplicates", p.Duplicates, "quarantined", p.Quarantined, "lag_ms", p.Lag.Milliseconds())
	sources := map[uint64]events.Source{}
	ids := map[uint64]string{}
	for s, c := range d.counts {
		for _, q := range c.Quarantined {
			sources[q.Entry], ids[q.Entry] = s, q.ID
		}
	}
	for i := range d.Quarantined[:min(len(d.Quarantined), maxTold)] {
		q := &d.Quarantined[i]
		in.Logger.Info("intake: quarantined", "entry", q.Entry, "code", q.Code, "source", sources[q.Entry], "id", ids[q.Entry],
			"stream", q.Stream, "sequence", q.StreamSeq, "reason", q.Reason)
	}
	if more := len(d.Quarantined) - maxTold; more > 0 {
		in.Logger.Info("intake: quarantined more than are named here", "more", more)
	}
}

// Refusals lists every code with which a message is quarantined.
func Refusals() []string {
	return []string{RefuseInvalid, RefuseSubject, RefuseClock, RefuseUnknownTruck, RefuseOtherBody, RefuseNumberTaken}
}
