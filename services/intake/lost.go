package intake

import (
	"context"
	"encoding/json"
	"maps"
	"slices"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// SendLostReceipts tells each source whose last receipt does not say what is
// recorded of it. An intake that died after it had stored a block and before it
// sent the receipts leaves such sources; they would send again what is recorded,
// or, when they are at rest, keep it until their next event. [Intake.Run] begins
// with it. Receipts that can not be read or sent stop nothing: the sources get
// theirs with the next block.
//
// It costs one request for each 500 sources and a receipt for each that needs one.
// What a lost receipt said of duplicates and quarantined messages is not said
// again; a number that is in quarantine stands among the missing ones.
func (in *Intake) SendLostReceipts(ctx context.Context) {
	if in.Receipts == nil || len(in.sources) == 0 {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, courtesy)
	defer cancel()
	subjects := map[string]events.Source{}
	for s := range in.sources {
		if subject, err := ledger.SubjectOf(s); err == nil {
			subjects[subject] = s
		}
	}
	last, err := in.Receipts.LastReceipts(ctx, slices.Sorted(maps.Keys(subjects)))
	if err != nil {
		in.Logger.Warn("intake: whether receipts were lost is not known; sources get theirs with their next event", "error", err)
		return
	}
	for subject, s := range subjects {
		if body, ok := last[subject]; !ok || !in.saysWhatIsRecorded(s, body) {
			in.owed[s] = true
		}
	}
	if n := len(in.owed); n > 0 {
		in.Logger.Info("intake: sends receipts that were lost", "sources", n)
		d := &draft{counts: map[events.Source]*receipt{}}
		d.Position, d.At = in.position, in.Now()
		in.sendReceipts(ctx, d)
	}
}

// saysWhatIsRecorded reports whether a receipt tells of a source what the intake
// would tell now.
func (in *Intake) saysWhatIsRecorded(s events.Source, body []byte) bool {
	var r receipt
	if err := json.Unmarshal(body, &r); err != nil {
		return false
	}
	seq := in.sources[s]
	return r.Through == seq.Contiguous() && r.Highest == seq.Highest() && slices.Equal(r.Missing, gaps(seq))
}
