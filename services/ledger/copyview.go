package ledger

import (
	"time"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
)

// CopyPage is a part of a ledger as it is handed over to be copied. Which member is
// there depends on the part that was asked for.
type CopyPage struct {
	Streams     []StreamView   `json:"streams,omitempty"`
	Blocks      []BlockView    `json:"blocks,omitempty"`
	Records     []RecordView   `json:"records,omitempty"`
	Entries     []EntryView    `json:"entries,omitempty"`
	Settlements []SettledView  `json:"settlements,omitempty"`
	Adoptions   []AdoptionView `json:"adoptions,omitempty"`
}

// StreamView is a stream's last whole block.
type StreamView struct {
	Stream   string `json:"stream"`
	Last     uint64 `json:"last" doc:"last message of the block"`
	Position uint64 `json:"position"`
}

// BlockView is the line of a block.
type BlockView struct {
	Stream      string    `json:"stream"`
	First       uint64    `json:"first" doc:"first message"`
	Last        uint64    `json:"last"`
	Position    uint64    `json:"position" doc:"last position after the block"`
	Recorded    uint64    `json:"recorded"`
	Duplicates  uint64    `json:"duplicates"`
	Quarantined uint64    `json:"quarantined"`
	Root        []byte    `json:"root" doc:"Merkle root at that position"`
	Frontier    []byte    `json:"frontier" doc:"state of the Merkle tree"`
	At          time.Time `json:"at"`
}

// RecordView is a record with its exact bytes.
type RecordView struct {
	Position  uint64    `json:"position"`
	Recorded  time.Time `json:"recorded"`
	Stream    string    `json:"stream"`
	StreamSeq uint64    `json:"streamSeq"`
	Hash      []byte    `json:"hash"`
	Body      []byte    `json:"body"`
}

// EntryView is a quarantined message with its exact bytes.
type EntryView struct {
	Entry     uint64    `json:"entry"`
	Received  time.Time `json:"received"`
	Stream    string    `json:"stream"`
	StreamSeq uint64    `json:"streamSeq"`
	Subject   string    `json:"subject"`
	Code      string    `json:"code"`
	Reason    string    `json:"reason"`
	Hash      []byte    `json:"hash"`
	Body      []byte    `json:"body"`
}

// SettledView is a decision about a quarantined message.
type SettledView struct {
	Entry  uint64    `json:"entry"`
	At     time.Time `json:"at"`
	Action string    `json:"action"`
	Author string    `json:"author"`
	Note   string    `json:"note"`
}

// AdoptionView is an adoption of a stream.
type AdoptionView struct {
	Number   uint64    `json:"number"`
	Stream   string    `json:"stream"`
	First    uint64    `json:"first"`
	Again    uint64    `json:"again"`
	Position uint64    `json:"position"`
	At       time.Time `json:"at"`
	Author   string    `json:"author"`
	Reason   string    `json:"reason"`
}

// BlockViewOf returns the view of a block line.
func BlockViewOf(b BlockLine) BlockView {
	return BlockView{b.Stream, b.FirstSeq, b.LastSeq, b.Position, b.Recorded, b.Duplicates, b.Quarantined, b.Root[:], b.Frontier, b.At.UTC()}
}

// Line returns the block line that a view is of.
func (v BlockView) Line() (BlockLine, error) {
	b := BlockLine{Stream: v.Stream, FirstSeq: v.First, LastSeq: v.Last, Position: v.Position, Recorded: v.Recorded, Duplicates: v.Duplicates,
		Quarantined: v.Quarantined, Frontier: v.Frontier, At: v.At}
	return b, hashInto(&b.Root, v.Root)
}

// RecordViewOf returns the view of a record.
func RecordViewOf(r Record) RecordView {
	return RecordView{r.Position, r.Recorded.UTC(), r.Stream, r.StreamSeq, r.Hash[:], r.Body}
}

// Record returns the record that a view is of, with what its event says.
func (v RecordView) Record() (Record, error) {
	r := Record{Position: v.Position, Recorded: v.Recorded, Stream: v.Stream, StreamSeq: v.StreamSeq, Body: v.Body}
	if err := hashInto(&r.Hash, v.Hash); err != nil {
		return r, err
	}
	if chain.LeafHash(v.Body) != r.Hash {
		return r, Fail(Damaged, "the event at position %d is not what was recorded: its bytes do not match its hash", v.Position)
	}
	e, err := wire.Decode(v.Body)
	if err != nil {
		return r, Wrap(Damaged, err, "the event at position %d can not be read by this version of the program", v.Position)
	}
	r.Source, r.ID, r.Seq, r.Kind, r.Truck, r.Job, r.Operator = e.Source, e.ID, e.Seq, e.Kind(), e.Truck, e.Job, e.Operator
	r.Occurred = events.Time{UnixMS: e.Occurred.UnixMS}
	return r, nil
}

// EntryViewOf returns the view of a quarantined message.
func EntryViewOf(q Quarantined) EntryView {
	return EntryView{q.Entry, q.Received.UTC(), q.Stream, q.StreamSeq, q.Subject, q.Code, q.Reason, q.Hash[:], q.Body}
}

// Quarantined returns the message that a view is of, as if it were not settled.
func (v EntryView) Quarantined() (Quarantined, error) {
	q := Quarantined{Entry: v.Entry, Received: v.Received, Stream: v.Stream, StreamSeq: v.StreamSeq, Subject: v.Subject, Code: v.Code,
		Reason: v.Reason, Body: v.Body, State: "held"}
	return q, hashInto(&q.Hash, v.Hash)
}

func hashInto(h *[32]byte, b []byte) error {
	if len(b) != len(h) {
		return Fail(Internal, "found %d bytes for a hash", len(b))
	}
	copy(h[:], b)
	return nil
}
