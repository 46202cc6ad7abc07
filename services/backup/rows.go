package backup

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"
	"unicode/utf8"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/services/ledger"
)

// The rows of segments, a JSON object a line. Their members are never renamed.

// message is the bytes of a message: as text where they are, else as base64.
type message struct {
	Text  *string `json:"text,omitempty"`
	Bytes []byte  `json:"bytes,omitempty"`
}

func messageOf(b []byte) message {
	if utf8.Valid(b) {
		s := string(b)
		return message{Text: &s}
	}
	return message{Bytes: b}
}

func (m message) body() []byte {
	if m.Text != nil {
		return []byte(*m.Text)
	}
	return m.Bytes
}

// digest is a SHA-256 hash, in hex.
type digest [32]byte

// MarshalText returns the hash in hex.
func (h digest) MarshalText() ([]byte, error) { return []byte(hex.EncodeToString(h[:])), nil }

// UnmarshalText reads a hash in hex.
func (h *digest) UnmarshalText(text []byte) error {
	b, err := hex.DecodeString(string(text))
	if err != nil || len(b) != len(h) {
		return fmt.Errorf("%q is no SHA-256 hash", text)
	}
	copy(h[:], b)
	return nil
}

type recordRow struct {
	Position  uint64    `json:"position"`
	Source    string    `json:"source"`
	Stream    string    `json:"stream"`
	StreamSeq uint64    `json:"streamSeq"`
	Recorded  time.Time `json:"recorded"`
	Hash      digest    `json:"hash"`
	message
}

func recordRowOf(r *ledger.Record) recordRow {
	return recordRow{r.Position, string(r.Source), r.Stream, r.StreamSeq, r.Recorded.UTC(), r.Hash, messageOf(r.Body)}
}

// record returns the record of a row. Everything that its event says is taken from
// its bytes.
func (row *recordRow) record() (ledger.Record, error) {
	body := row.body()
	if chain.LeafHash(body) != row.Hash {
		return ledger.Record{}, ledger.Fail(ledger.Damaged, "position %d: the event's bytes do not match its hash", row.Position)
	}
	e, err := wire.Decode(body)
	if err != nil {
		return ledger.Record{}, fmt.Errorf("position %d can not be read by this version of the program: %w", row.Position, err)
	}
	if string(e.Source) != row.Source {
		return ledger.Record{}, ledger.Fail(ledger.Damaged, "position %d: the event is of source %s, not %s", row.Position, e.Source, row.Source)
	}
	return ledger.Record{Position: row.Position, Source: e.Source, ID: e.ID, Seq: e.Seq, Kind: e.Kind(), Truck: e.Truck, Job: e.Job,
		Operator: e.Operator, Occurred: events.Time{UnixMS: e.Occurred.UnixMS}, Recorded: row.Recorded, Stream: row.Stream, StreamSeq: row.StreamSeq,
		Body: body, Hash: row.Hash}, nil
}

type entryRow struct {
	Entry     uint64    `json:"entry"`
	Received  time.Time `json:"received"`
	Stream    string    `json:"stream"`
	StreamSeq uint64    `json:"streamSeq"`
	Subject   string    `json:"subject"`
	Code      string    `json:"code"`
	Reason    string    `json:"reason"`
	Hash      digest    `json:"hash"`
	message
}

func entryRowOf(q *ledger.Quarantined) entryRow {
	return entryRow{q.Entry, q.Received.UTC(), q.Stream, q.StreamSeq, q.Subject, q.Code, q.Reason, q.Hash, messageOf(q.Body)}
}

func (row *entryRow) entry() (ledger.Quarantined, error) {
	body := row.body()
	if chain.LeafHash(body) != row.Hash {
		return ledger.Quarantined{}, ledger.Fail(ledger.Damaged, "quarantine entry %d: the message's bytes do not match its hash", row.Entry)
	}
	return ledger.Quarantined{Entry: row.Entry, Received: row.Received, Stream: row.Stream, StreamSeq: row.StreamSeq, Subject: row.Subject,
		Code: row.Code, Reason: row.Reason, Body: body, Hash: row.Hash, State: "held"}, nil
}

type blockRow struct {
	Stream      string    `json:"stream"`
	First       uint64    `json:"first"`
	Last        uint64    `json:"last"`
	Position    uint64    `json:"position"`
	Recorded    uint64    `json:"recorded"`
	Duplicates  uint64    `json:"duplicates"`
	Quarantined uint64    `json:"quarantined"`
	Root        digest    `json:"root"`
	Frontier    []byte    `json:"frontier"`
	At          time.Time `json:"at"`
}

func blockRowOf(b *ledger.BlockLine) blockRow {
	return blockRow{b.Stream, b.FirstSeq, b.LastSeq, b.Position, b.Recorded, b.Duplicates, b.Quarantined, b.Root, b.Frontier, b.At.UTC()}
}

func (row *blockRow) line() ledger.BlockLine {
	return ledger.BlockLine{Stream: row.Stream, FirstSeq: row.First, LastSeq: row.Last, Position: row.Position, Recorded: row.Recorded,
		Duplicates: row.Duplicates, Quarantined: row.Quarantined, Root: row.Root, Frontier: row.Frontier, At: row.At}
}

type settlementRow struct {
	Entry  uint64    `json:"entry"`
	At     time.Time `json:"at"`
	Action string    `json:"action"`
	Author string    `json:"author"`
	Note   string    `json:"note"`
}

type adoptionRow struct {
	Number   uint64    `json:"number"`
	Stream   string    `json:"stream"`
	First    uint64    `json:"first"`
	Again    uint64    `json:"again"`
	Position uint64    `json:"position"`
	At       time.Time `json:"at"`
	Author   string    `json:"author"`
	Reason   string    `json:"reason"`
}

// encodeRow writes a row as a line.
func encodeRow(row any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	err := e.Encode(row)
	return b.Bytes(), err
}

// decodeRow reads a row and refuses members that it does not know.
func decodeRow(line []byte, row any) error {
	d := json.NewDecoder(bytes.NewReader(line))
	d.DisallowUnknownFields()
	if err := d.Decode(row); err != nil {
		return err
	}
	if d.More() {
		return fmt.Errorf("there is more on the line than one row")
	}
	return nil
}
