package ledger

import (
	"fmt"
	"time"
)

// HighWater is how far broker and store had come at some time, kept outside both. Sound
// ones only grow, so it stays a lower bound.
type HighWater struct {
	Stream   string
	Received uint64   // last message of the stream
	Handled  uint64   // last message whose fate was stored
	Position uint64   // of the ledger
	Root     [32]byte // over the events up to Position
	At       time.Time
}

// Standing is what the start of an intake finds of the broker, of the store, and of
// what either remembers of the other.
type Standing struct {
	Stream       string // that the broker has now, with its creation time
	First, Last  uint64 // messages it holds
	Deleted      uint64 // messages that are gone between them
	Acknowledged uint64 // last message that the broker counts as recorded

	Head      Head
	Handled   uint64 // last message of this stream whose fate is stored
	Adoptions Adoptions

	HighWater       HighWater // zero when there is none
	RootAtHighWater [32]byte  // that the store has at the high water's position; zero when it has none there
}

// The commands that end with broker and store fitting each other again.
const (
	repairBroker = "spoilbook repair broker"
	repairStore  = "spoilbook repair store"
)

// Judge holds broker and store against each other. It returns the adoption that
// the intake has to store before it begins, nil when the stream is adopted, and
// [Damaged] with what is lost and what to do when they do not fit.
//
// Nothing fits that can not have come about by both growing: a stream that nobody
// adopted beside a ledger that is not empty, a stream that ends before what was
// recorded of it, has gaps, or begins late; and a store that knows less than the
// broker or the high water says it had recorded. For example: the store is empty and the
// broker counts 500 messages as recorded. The store's folder was lost, and "spoilbook
// repair store" takes the 500 in again at the positions they had.
func (s Standing) Judge() (*Adoption, error) {
	known, adopted := s.Adoptions.Of(s.Stream)
	opened, open := s.Adoptions.Open()
	if open {
		s.HighWater = HighWater{} // whoever adopted any stream knew that it is another one
	}
	if err := s.judgeStream(max(known.First, opened.First)); err != nil {
		return nil, err
	}
	switch {
	case open:
		return &Adoption{Stream: s.Stream, First: max(opened.First, known.First), Again: max(s.Acknowledged, s.Handled), Author: opened.Author,
			Reason: fmt.Sprintf("the next stream after adoption %d", opened.Number)}, nil
	case adopted || s.Handled > 0:
		return nil, s.judgeStore(known.Again)
	}
	return s.judgeNew()
}

// judgeStream looks for what the stream has lost.
func (s *Standing) judgeStream(first uint64) error {
	switch {
	case s.Deleted > 0:
		return Fail(Damaged, "the broker's stream %s lacks %d of its messages %d to %d. %s; %s", s.Stream, s.Deleted, s.First, s.Last, whatIsLost, callRepairBroker)
	case s.Last < s.Handled:
		return Fail(Damaged, "the broker's stream %s ends at message %d, but message %d is recorded: messages were lost from it, or it is an older copy. %s; %s", s.Stream, s.Last, s.Handled, whatIsLost, callRepairBroker)
	case s.HighWater.Stream == s.Stream && s.Last < s.HighWater.Received:
		return Fail(Damaged, "the broker's stream %s ends at message %d, but held message %d at %s: messages %d to %d are lost from it. %s; %s", s.Stream, s.Last, s.HighWater.Received, s.HighWater.At.UTC().Format(time.RFC3339), s.Last+1, s.HighWater.Received, whatIsLost, callRepairBroker)
	case s.First > s.Handled+1 && s.First > max(first, 1):
		return Fail(Damaged, "the broker's stream %s begins at message %d and the store has handled only %d: messages %d to %d are gone. Restore broker and store from the same backup, or run %s", s.Stream, s.First, s.Handled, s.Handled+1, s.First-1, repairBroker)
	case s.First > max(first, 1):
		return Fail(Damaged, "the broker's stream %s begins at message %d, but nobody had messages before it cut off. They are recorded; %s", s.Stream, s.First, callRepairBroker)
	}
	return nil
}

const (
	whatIsLost       = "What is recorded is in the ledger; what was received and not recorded may be lost, and its sources still have it"
	callRepairBroker = "run " + repairBroker
)

// judgeStore looks whether the store knows what was recorded of a stream that it
// takes in from.
func (s *Standing) judgeStore(again uint64) error {
	const older = "The store is an older copy, or parts of it are lost. Settlements of quarantined messages made since are not in the broker; restore from a backup if there is a newer one, else run " + repairStore
	switch {
	case s.Acknowledged > max(s.Handled, again):
		return Fail(Damaged, "the store has handled message %d of %s, but the broker counts messages up to %d as recorded. %s", s.Handled, s.Stream, s.Acknowledged, older)
	case s.HighWater.Position > s.Head.Position:
		return Fail(Damaged, "the ledger stands at position %d, but stood at %d at %s. %s", s.Head.Position, s.HighWater.Position, s.HighWater.At.UTC().Format(time.RFC3339), older)
	case s.HighWater.Position > 0 && s.RootAtHighWater != s.HighWater.Root:
		return Fail(Damaged, "the root over the first %d events is %x, but was %x at %s: this is not the store that was here, or it was changed. Run spoilbook check, and restore from a backup", s.HighWater.Position, s.RootAtHighWater, s.HighWater.Root, s.HighWater.At.UTC().Format(time.RFC3339))
	}
	return nil
}

// judgeNew judges a stream that the store does not know.
func (s *Standing) judgeNew() (*Adoption, error) {
	empty := s.Head.Position == 0 && s.Head.At.IsZero() && len(s.Adoptions) == 0
	switch {
	case !empty:
		return nil, Fail(Damaged, "the broker's stream %s is new, and the ledger stands at position %d%s: the broker's folder was lost or exchanged. %s; %s", s.Stream, s.Head.Position, s.takenFrom(), whatIsLost, callRepairBroker)
	case s.Acknowledged == 0 && s.HighWater.Position > 0 && s.HighWater.Stream != s.Stream:
		return nil, Fail(Damaged, "the store is empty and the broker's stream %s is new, but the ledger stood at position %d: the folders of both were lost. Restore from a backup", s.Stream, s.HighWater.Position)
	case s.Acknowledged > 0 || s.HighWater.Position > 0:
		return nil, Fail(Damaged, "the store is empty, but the broker counts messages up to %d as recorded and the ledger stood at position %d: the store's folder was lost. Run %s to take in again what the broker has, or restore from a backup", s.Acknowledged, s.HighWater.Position, repairStore)
	case s.HighWater.Stream != "" && s.HighWater.Stream != s.Stream:
		return nil, Fail(Damaged, "the broker's stream %s is new, and %s was here with %d messages. %s; %s", s.Stream, s.HighWater.Stream, s.HighWater.Received, whatIsLost, callRepairBroker)
	}
	return &Adoption{Stream: s.Stream, Author: "spoilbook", Reason: "the first stream of an empty ledger"}, nil
}

func (s *Standing) takenFrom() string {
	if n := len(s.Adoptions); n > 0 {
		return ", taken in from " + s.Adoptions[n-1].Stream
	}
	return ""
}

// BrokerRepair is what makes the broker fit the store again.
type BrokerRepair int

// The repairs of a broker.
const (
	NothingToRepair BrokerRepair = iota
	TakeStream                   // the stream is sound, and only has to be adopted
	NewStream                    // the stream can not be gone on with: another one takes its place
)

// RepairBroker says what makes the broker fit. The stream that is there is kept
// where every message that it may still have to give is in it.
func (s Standing) RepairBroker() BrokerRepair {
	_, adopted := s.Adoptions.Of(s.Stream)
	if _, err := s.Judge(); err == nil {
		return NothingToRepair
	}
	cut := s.HighWater.Stream == s.Stream && s.Last < s.HighWater.Received
	if s.Deleted > 0 || s.Last < s.Handled || cut || s.First > s.Handled+1 && s.First > 1 {
		return NewStream
	}
	if _, err := s.judgeNew(); !adopted && s.Handled == 0 && err != nil || s.First > 1 {
		return TakeStream
	}
	return NothingToRepair // what does not fit is the store
}

// CanRefill reports why a store can not be made to hold again what the broker
// counts as recorded, or nil.
func (s Standing) CanRefill() error {
	if s.Deleted > 0 || s.Last < s.Handled || s.Last < s.Acknowledged || s.First > s.Handled+1 {
		return Fail(Damaged, "the broker's stream %s holds messages %d to %d without %d of them, and the store has handled %d: it can not give back what the store lacks. Restore from a backup", s.Stream, s.First, s.Last, s.Deleted, s.Handled)
	}
	return nil
}
