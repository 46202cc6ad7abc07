package sim

import (
	"errors"
	"time"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

var (
	errStoreDown    = errors.New("the store does not answer")
	errStoreRefused = errors.New("the store refuses the request")
	errStoreFull    = errors.New("the store's disk is full")
	errAnswerLost   = errors.New("the store's answer was lost")
)

// blockLine says that a block is complete.
type blockLine struct {
	stream            string
	firstSeq, lastSeq uint64
	position          uint64
	root              [32]byte
	frontier          []byte
	at                time.Time
}

// tables are what the store has on its disk.
type tables struct {
	events     []ledger.Record
	quarantine []ledger.Quarantined
	settled    map[uint64]ledger.Settlement
	blocks     []blockLine
}

// identity is what tells one event from another.
type identity struct {
	source events.Source
	id     string
}

// number is a place in a source's count.
type number struct {
	source events.Source
	seq    uint64
}

// database is a store's server: inserts are whole or not at all and synced before
// they are answered, and one whose token was seen before changes nothing. It does
// not look at what it stores.
type database struct {
	tables
	w       *world
	p       *profile
	up      bool
	full    bool
	session int
	tokens  map[string]bool
	byID    map[identity][]int
	bySeq   map[number][]int
	held    map[[32]byte]int // entries with a leaf hash that nobody released
	flaws   flaws
	watch   *auditor // nil for none
}

func newDatabase(w *world, p *profile, watch *auditor) *database {
	db := &database{w: w, p: p, up: true, tokens: map[string]bool{}, byID: map[identity][]int{}, bySeq: map[number][]int{},
		held: map[[32]byte]int{}, watch: watch}
	db.settled = map[uint64]ledger.Settlement{}
	w.scheduled(p.storeCrash, db.crash)
	w.scheduled(p.diskFul, func() {
		w.count("disk-full-store")
		db.full = true
		w.log("store", "disk full")
		w.after(w.about(2*time.Hour), func() { db.full = false })
	})
	return db
}

// ask answers a read or refuses it.
func (db *database) ask() error {
	switch {
	case !db.up:
		return errStoreDown
	case db.w.fault("store-refuses-read", db.p.storeRefuse):
		return errStoreRefused
	}
	return nil
}

// insert carries apply out under a token, with all that can happen to it. wait
// lets time go by for the caller and reports whether it still lives.
func (db *database) insert(token string, apply func(), wait func(time.Duration) bool) error {
	switch {
	case !db.up:
		return errStoreDown
	case db.full && !db.w.calm:
		return errStoreFull
	case db.w.fault("store-refuses-insert", db.p.storeRefuse):
		return errStoreRefused
	}
	session := db.session
	land := func() {
		if db.session == session && !db.tokens[token] {
			db.tokens[token] = true
			apply()
		}
	}
	if db.w.fault("insert-late", db.p.storeLate) {
		// Later than its caller waits, sooner than another intake can begin.
		db.w.after(db.w.between(time.Second, lease-2*time.Second), land)
		return errAnswerLost
	}
	pause := db.w.between(time.Millisecond, 50*time.Millisecond)
	if db.w.fault("insert-slow", db.p.storeSlow) {
		pause = db.w.between(time.Second, 3*time.Minute)
	}
	if !wait(pause) { // the server may have the request, though its client is gone
		if db.w.chance(0.5) {
			db.w.after(db.w.between(0, lease-2*time.Second), land)
		}
		return errAnswerLost
	}
	if db.w.fault("crash-store-while-writing", db.p.storeTorn) {
		db.crash()
	}
	if db.session != session || !db.up {
		db.w.count("torn-write-store")
		return errAnswerLost
	}
	land()
	if db.w.fault("insert-unanswered", db.p.storeLost) {
		return errAnswerLost
	}
	return nil
}

// crash stops the server; what was synced stays, what was being written is gone.
func (db *database) crash() {
	if !db.up {
		return
	}
	db.up = false
	db.session++
	db.w.count("crash-store")
	if db.flaws.forgetsAtCrash && len(db.events) > 0 {
		db.events = db.events[:len(db.events)-1]
		db.index()
	}
	back := db.w.about(5 * time.Minute)
	db.w.log("store", "crashes with %d events, back in %v", len(db.events), back.Round(time.Second))
	db.w.after(back, func() {
		if !db.up {
			db.up = true
			db.w.log("store", "starts with %d events", len(db.events))
		}
	})
}

func (db *database) addEvents(rs []ledger.Record) {
	for i := range rs {
		db.events = append(db.events, rs[i])
		db.indexRow(len(db.events) - 1)
	}
	db.w.log("store", "stores positions %d to %d", rs[0].Position, rs[len(rs)-1].Position)
	if db.watch != nil {
		db.watch.recorded(rs)
	}
}

func (db *database) indexRow(at int) {
	r := &db.events[at]
	id, no := identity{r.Source, r.ID}, number{r.Source, r.Seq}
	db.byID[id], db.bySeq[no] = append(db.byID[id], at), append(db.bySeq[no], at)
}

// index makes the indices of the events anew.
func (db *database) index() {
	db.byID, db.bySeq = map[identity][]int{}, map[number][]int{}
	for at := range db.events {
		db.indexRow(at)
	}
}

func (db *database) addQuarantined(qs []ledger.Quarantined) {
	db.quarantine = append(db.quarantine, qs...)
	for i := range qs {
		db.held[qs[i].Hash]++
		db.w.log("store", "quarantines entry %d, message %d, %s", qs[i].Entry, qs[i].StreamSeq, qs[i].Code)
	}
	if db.watch != nil {
		db.watch.quarantined(qs)
	}
}

func (db *database) addBlock(b blockLine) {
	db.blocks = append(db.blocks, b)
	db.w.log("store", "block of messages %d to %d, position %d, root %x", b.firstSeq, b.lastSeq, b.position, b.root[:4])
	if db.watch != nil {
		db.watch.block(b)
	}
}
