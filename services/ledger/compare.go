package ledger

import (
	"context"

	"spoilbook/events/chain"
	"spoilbook/events/wire"
)

// StreamLine is one message of a stream of which the store keeps the bytes: as an
// event, or whole in quarantine.
type StreamLine struct {
	Seq  uint64
	Held bool     // in quarantine; Hash is then over the bytes as they came
	Hash [32]byte // else over the canonical bytes
}

// Matches reports whether a message of the broker is what the store keeps of it.
func (s StreamLine) Matches(body []byte) bool {
	if s.Held {
		return chain.LeafHash(body) == s.Hash
	}
	e, err := wire.Decode(body)
	if err != nil {
		return false
	}
	canonical, err := wire.Encode(&e)
	return err == nil && chain.LeafHash(canonical) == s.Hash
}

// Stream is the broker's stream, to be read beside the intake.
type Stream interface {
	Messages(ctx context.Context, first, last uint64, each func(Delivery) error) error
}

// CompareLines holds the messages of a stream from first to last against what the
// store keeps of them. It returns the sequences of those the store keeps nothing
// of, the duplicates, to each of which the caller may have an opinion; and
// [Damaged] with the first message that differs.
func CompareLines(ctx context.Context, stream Stream, first, last uint64, lines []StreamLine, other func(Delivery) error) error {
	bySeq := make(map[uint64]StreamLine, len(lines))
	for _, line := range lines {
		if _, twice := bySeq[line.Seq]; twice {
			return Fail(Damaged, "message %d of the stream has two fates in the store", line.Seq)
		}
		bySeq[line.Seq] = line
	}
	err := stream.Messages(ctx, first, last, func(d Delivery) error {
		line, kept := bySeq[d.StreamSeq]
		switch {
		case !kept:
			return other(d)
		case !line.Matches(d.Body):
			return Fail(Damaged, "message %d of the broker's stream is not what the store has of it: one of them was exchanged or changed. Run spoilbook check; if it passes the store, %s", d.StreamSeq, callRepairBroker)
		}
		return nil
	})
	return Wrap(BrokerDown, err, "read the stream")
}
