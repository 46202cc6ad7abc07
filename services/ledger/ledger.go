// Package ledger is what people and programs do with the ledger: submit events
// and learn what became of each, read them back, run a report at a position, and
// settle what was quarantined. It knows neither NATS nor ClickHouse nor HTTP; it
// asks for small interfaces ([Publisher], [Store]) and is the same whether these
// are in the process or across a network.
//
// Three words say how far an event has come, each promising more than the one
// before: received (the broker has synced it), recorded (the store holds it, with
// a dense position from 1), reported (it is in a report that names the last
// position it covers). For example
//
//	ticket, err := l.Submit(ctx, messages)  // received
//	fates, err := l.Await(ctx, ticket)      // 98 recorded, 1 duplicate, 1 quarantined
//	r, err := l.Report(ctx, ReportQuery{Name: "water", Period: october}) // at the head
//
// An event that can not be recorded is quarantined whole with its reason, and can
// be released after repair; nothing is dropped.
package ledger

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"spoilbook/events"
)

// Record is an event as the store holds it.
type Record struct {
	Position  uint64
	Source    events.Source
	ID        string
	Seq       uint64
	Kind      events.Kind
	Truck     events.TruckID
	Job       events.JobID
	Operator  events.OperatorID
	Occurred  events.Time
	Recorded  time.Time // to the millisecond
	Stream    string    // the broker stream, with its creation time, that brought it
	StreamSeq uint64
	Body      []byte   // canonical bytes
	Hash      [32]byte // leaf hash of Body
}

// Quarantined is a message that could not be recorded, kept whole.
type Quarantined struct {
	Entry     uint64 // dense, from 1
	Received  time.Time
	Stream    string
	StreamSeq uint64
	Subject   string
	Code      string // why, as one of the Refuse codes
	Reason    string // field, what was found, what is allowed
	Body      []byte
	Hash      [32]byte // leaf hash of Body
	State     string   // "held", "released" or "dismissed"
	Settled   *Settlement
}

// Settlement says how a quarantined message was dealt with.
type Settlement struct {
	At     time.Time
	Action string // "released" or "dismissed"
	Author string
	Note   string
}

// Message is one event on its way in: the subject ("truck.TM-01") and its bytes.
type Message struct {
	Subject string
	Body    []byte
}

// Delivery is a message as the broker hands it to the intake.
type Delivery struct {
	Subject   string
	Body      []byte
	StreamSeq uint64
	Received  time.Time
}

// Block is what the intake stores at one go: everything between two stream
// sequences, each message with its fate.
type Block struct {
	Stream            string
	FirstSeq, LastSeq uint64 // stream sequences, inclusive
	Records           []Record
	Quarantined       []Quarantined
	Duplicates        uint64
	Position          uint64 // after the block
	Root              [32]byte
	Frontier          []byte // the Merkle tree's state after Position
	At                time.Time
}

// Head is where the ledger stands.
type Head struct {
	Position     uint64   // the last one given; also the number of events
	Root         [32]byte // Merkle root (RFC 6962) over the events up to RootPosition
	RootPosition uint64
	At           time.Time // when the last block was stored
}

// Selection chooses records to read.
type Selection struct {
	Trucks []events.TruckID // none for all; records without a truck always come along
	After  uint64           // positions above this
	UpTo   uint64           // last position wanted
}

// EventQuery chooses records to list, in order of position.
type EventQuery struct {
	After  uint64 // positions above this one
	Limit  int    // at most MaxPage; 0 means 100
	Bytes  int    // of bodies, after which the list ends early; 0 means no bound
	Truck  events.TruckID
	Job    events.JobID
	Kind   events.Kind
	Source events.Source
	ID     string
}

// QuarantineQuery chooses quarantined messages to list, in order of entry.
type QuarantineQuery struct {
	After uint64
	Limit int    // at most MaxPage; 0 means 100
	Bytes int    // of bodies, after which the list ends early; 0 means no bound
	All   bool   // also those settled
	Entry uint64 // just this one, when not 0
}

// Fates counts what became of the messages between two stream sequences.
type Fates struct {
	Recorded    uint64   `json:"recorded"`
	Duplicates  uint64   `json:"duplicates"`
	Quarantined uint64   `json:"quarantined"`
	Position    uint64   `json:"position"`          // the ledger's position once all were handled
	Entries     []uint64 `json:"entries,omitempty"` // quarantine entries, at most 100
}

// Known is what the store already has under an id or a sequence number of a
// source.
type Known struct {
	ID        string
	Seq       uint64
	Position  uint64
	Stream    string
	StreamSeq uint64
	Hash      [32]byte
}

// SourceState says how far a source's numbers have come.
type SourceState struct {
	Source  events.Source
	Highest uint64
	Count   uint64
}

// Limits of what one call may ask for.
const (
	MaxPage   = 10_000
	MaxSubmit = 100_000

	defaultPage    = 100 // when no limit is given
	maxAuthorBytes = 120
	maxNoteBytes   = 1000
)

// Publisher hands messages to the broker. It returns the stream sequence of each
// message stored, in order, and an error when it stopped before the last.
type Publisher interface {
	Publish(ctx context.Context, msgs []Message) (seqs []uint64, err error)
	Stream(ctx context.Context) (string, error) // the stream with its creation time
	Health(ctx context.Context) error
}

// Store is the recorded ledger, for reading and settling.
type Store interface {
	Head(ctx context.Context) (Head, error)
	Read(ctx context.Context, s Selection, each func(*Record) error) error
	Find(ctx context.Context, q EventQuery) ([]Record, error)
	Handled(ctx context.Context, stream string) (uint64, error)
	Fates(ctx context.Context, stream string, first, last uint64) (Fates, error)
	Quarantine(ctx context.Context, q QuarantineQuery) ([]Quarantined, error)
	Settle(ctx context.Context, entry uint64, s Settlement) error
	Blocks(ctx context.Context, each func(position uint64, root [32]byte) error) error
	Tracker
	Health(ctx context.Context) error
}

// Ledger offers the use cases.
type Ledger struct {
	publisher Publisher // nil when only reading
	store     Store
	now       func() time.Time
	zones     func(string) (*time.Location, error)
	log       *slog.Logger
	issuing   sync.Mutex // one report at a time is given its number
	progress  progress
	kept      *kept
}

// Config is what a Ledger is made of; Publisher may be nil for one that only
// reads.
type Config struct {
	Publisher Publisher
	Store     Store
	Now       func() time.Time
	Logger    *slog.Logger
	Keep      uint64 // events that are kept decoded in memory at most, for pages to be quick; a ledger of more keeps none. 0 keeps none
}

// New returns a ledger over its parts.
func New(c Config) *Ledger {
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	return &Ledger{publisher: c.Publisher, store: c.Store, now: c.Now, zones: time.LoadLocation, log: c.Logger,
		progress: progress{asking: make(chan struct{}, 1)}, kept: newKept(c.Keep)}
}

// Head returns where the ledger stands.
func (l *Ledger) Head(ctx context.Context) (Head, error) {
	h, err := l.store.Head(ctx)
	return h, Wrap(StoreDown, err, "where the ledger stands")
}

// Health asks the broker and the store whether they answer.
func (l *Ledger) Health(ctx context.Context) error {
	if l.publisher != nil {
		if err := l.publisher.Health(ctx); err != nil {
			return refused(err, BrokerDown, "broker")
		}
	}
	if err := l.store.Health(ctx); err != nil {
		return Wrap(StoreDown, err, "store")
	}
	return nil
}
