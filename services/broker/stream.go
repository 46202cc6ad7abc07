package broker

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

const (
	// maxMsgBytes is the stream's limit for one message with its headers; MaxBodyBytes leaves room for the headers.
	maxMsgBytes = 1 << 20
	headerBytes = 1 << 10

	receiptsMaxBytes = 256 << 20
	receiptsMaxAge   = 30 * 24 * time.Hour

	// The shortest duplicate window a server accepts. A writer that sets a message identifier could otherwise have different content
	// with the same identifier dropped in silence.
	duplicateWindow = 100 * time.Millisecond

	// minAPILevel is that of server 2.14, the first with both atomic batches and consumer reset.
	minAPILevel = 4
)

// MaxBodyBytes is the size of the largest message body.
const MaxBodyBytes = maxMsgBytes - headerBytes

// StreamState describes the events stream as its leader sees it.
type StreamState struct {
	Name     string
	Created  time.Time
	FirstSeq uint64 // of the first message kept; 1 as long as nothing was lost
	LastSeq  uint64 // of the last message stored; 0 for none
	Msgs     uint64
	Deleted  uint64 // sequences between FirstSeq and LastSeq that are gone, by deletion or damage; must be 0
	Bytes    uint64
	MaxBytes int64 // the limit; publishing returns ErrFull at it
}

func (b *Broker) eventsConfig() jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:               EventsStream,
		Description:        "Events from all sources, until they are in the ledger and for ever after. Never discarded.",
		Subjects:           []string{EventsPrefix + ">"},
		Storage:            jetstream.FileStorage,
		Retention:          jetstream.LimitsPolicy,
		Discard:            jetstream.DiscardNew,
		MaxBytes:           b.opts.MaxStoreBytes,
		MaxMsgSize:         maxMsgBytes,
		MaxMsgs:            -1,
		MaxMsgsPerSubject:  -1,
		MaxConsumers:       -1,
		Duplicates:         duplicateWindow,
		Replicas:           b.opts.Replicas,
		DenyDelete:         true,
		DenyPurge:          false, // Trim cuts off what is recorded and backed up; a start refuses what was cut off otherwise
		AllowDirect:        true,
		AllowAtomicPublish: true,
	}
}

func (b *Broker) receiptsConfig() jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:        ReceiptsStream,
		Description: "What the ledger answers to its sources. Kept 30 days.",
		Subjects:    []string{ReceiptsPrefix + ">"},
		Storage:     jetstream.FileStorage,
		Retention:   jetstream.LimitsPolicy,
		Discard:     jetstream.DiscardOld,
		MaxBytes:    receiptsMaxBytes,
		MaxAge:      receiptsMaxAge,
		MaxMsgSize:  maxMsgBytes,
		Duplicates:  duplicateWindow,
		Replicas:    b.opts.Replicas,
		AllowDirect: true,
	}
}

// checkServer asks for the account's JetStream, and for the level of its interface.
func (b *Broker) checkServer(ctx context.Context) error {
	info, err := b.js.AccountInfo(ctx)
	switch {
	case errors.Is(err, jetstream.ErrJetStreamNotEnabled), errors.Is(err, jetstream.ErrJetStreamNotEnabledForAccount):
		return fmt.Errorf("%w: JetStream is off; turn it on in the server's configuration, with sync_interval \"always\" "+
			"and for this account: %w", ErrSettings, err)
	case err != nil:
		return fmt.Errorf("ask for JetStream: %w", classify(err))
	}
	return checkLevel(b.nc.ConnectedServerVersion(), info.API.Level)
}

func checkLevel(version string, level int) error {
	if level < minAPILevel {
		return fmt.Errorf("%w: server %s has JetStream API level %d; use nats-server 2.14 or later", ErrServerTooOld, version, level)
	}
	return nil
}

func (b *Broker) prepareStreams(ctx context.Context) error {
	for _, want := range []jetstream.StreamConfig{b.eventsConfig(), b.receiptsConfig()} {
		if err := b.prepareStream(ctx, want); err != nil {
			return fmt.Errorf("stream %s: %w", want.Name, err)
		}
	}
	return nil
}

func (b *Broker) prepareStream(ctx context.Context, want jetstream.StreamConfig) error {
	s, err := b.js.Stream(ctx, want.Name)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return b.createStream(ctx, want)
	}
	if code, _ := apiCode(err); code == codeStreamOffline && b.server != nil {
		return fmt.Errorf("%w: the server could not read what it keeps with the stream (%w)", ErrDamaged, err)
	}
	if err != nil {
		return classify(err)
	}
	have := s.CachedInfo().Config
	if err := b.moved(have); err != nil {
		return err
	}
	if diff := differences(have, want); len(diff) > 0 {
		return fmt.Errorf("%w: %s. Change these settings of the stream (they are not changed for you), or move the stream away",
			ErrSettings, strings.Join(diff, "; "))
	}
	if b.opts.Join || b.opts.Frozen || have.MaxBytes >= want.MaxBytes || have.MaxBytes <= 0 {
		return nil
	}
	have.MaxBytes = want.MaxBytes
	if _, err := b.js.UpdateStream(ctx, have); err != nil {
		return fmt.Errorf("enlarge to %d bytes: %w", want.MaxBytes, classify(err))
	}
	return nil
}

func (b *Broker) createStream(ctx context.Context, want jetstream.StreamConfig) error {
	if b.opts.Join {
		return fmt.Errorf("%w: it does not exist; start the hub once before its sources", ErrSettings)
	}
	if err := b.unread(want.Name); err != nil {
		return err
	}
	if _, err := b.js.CreateStream(ctx, want); err != nil {
		return fmt.Errorf("create: %w", classify(err))
	}
	return nil
}

// recordsPrefix is what the client library puts before the name of a stream of records.
const recordsPrefix = "KV_"

// unread returns ErrDamaged when the in-process server does not know a stream whose folder is there: it leaves out what it can not read at
// start, with a warning, and a new stream in its place would hide the loss.
func (b *Broker) unread(stream string) error {
	if b.server == nil {
		return nil
	}
	folder := b.server.streamFolder(stream)
	if _, err := os.Stat(folder); err == nil {
		return fmt.Errorf("%w: the server could not read %s. Copy the folder elsewhere, restore it from a backup, "+
			"or remove it and have the trucks send again what was never receipted", ErrDamaged, folder)
	}
	return nil
}

// differences lists the settings of a stream that could lose, alter or refuse messages, each with what it should be.
func differences(have, want jetstream.StreamConfig) []string {
	var diff []string
	check := func(bad bool, setting string, is, should any) {
		if bad {
			diff = append(diff, fmt.Sprintf("%s is %v, should be %v", setting, is, should))
		}
	}
	check(!slices.Equal(have.Subjects, want.Subjects), "subjects", have.Subjects, want.Subjects)
	check(have.Storage != want.Storage, "storage", have.Storage, want.Storage)
	check(have.Retention != want.Retention, "retention", have.Retention, want.Retention)
	check(have.Discard != want.Discard, "discard", have.Discard, want.Discard)
	check(have.MaxMsgs > 0, "max_msgs", have.MaxMsgs, -1)
	check(have.MaxMsgsPerSubject > 0, "max_msgs_per_subject", have.MaxMsgsPerSubject, -1)
	check(have.MaxMsgSize > 0 && have.MaxMsgSize < want.MaxMsgSize, "max_msg_size", have.MaxMsgSize, want.MaxMsgSize)
	check(have.MaxAge != 0 && have.MaxAge != want.MaxAge, "max_age", have.MaxAge, want.MaxAge)
	check(have.Replicas < want.Replicas, "num_replicas", have.Replicas, want.Replicas)
	check(have.NoAck, "no_ack", true, false)
	check(have.Sealed, "sealed", true, false)
	check(have.PersistMode == jetstream.AsyncPersistMode, "persist_mode", "async", "default")
	check(have.AllowRollup, "allow_rollup_hdrs", true, false)
	check(have.AllowMsgTTL && !want.AllowMsgTTL, "allow_msg_ttl", true, false)
	check(have.Mirror != nil || len(have.Sources) > 0, "mirror or sources", "set", "unset")
	check(have.SubjectTransform != nil, "subject_transform", "set", "unset")
	check(want.DenyDelete && !have.DenyDelete, "deny_delete", false, true)
	check(want.AllowAtomicPublish && !have.AllowAtomicPublish, "allow_atomic", false, true)
	return diff
}

// StreamState asks the leader of the events stream for its state.
func (b *Broker) StreamState(ctx context.Context) (StreamState, error) {
	ctx, cancel := request(ctx)
	defer cancel()
	s, err := b.js.Stream(ctx, EventsStream)
	if err != nil {
		return StreamState{}, fmt.Errorf("state of %s: %w", EventsStream, classify(err))
	}
	info := s.CachedInfo()
	state := StreamState{
		Name: EventsStream, Created: info.Created, FirstSeq: info.State.FirstSeq, LastSeq: info.State.LastSeq, Msgs: info.State.Msgs,
		Deleted: uint64(info.State.NumDeleted), Bytes: info.State.Bytes, MaxBytes: info.Config.MaxBytes,
	}
	if lost := info.State.Lost; lost != nil {
		state.Deleted = max(state.Deleted, uint64(len(lost.Msgs)))
	}
	return state, nil
}

const (
	readAttempts = 5
	readPause    = 50 * time.Millisecond
)

// Message reads one message of the events stream. It returns ErrNotFound when the stream holds none at that sequence.
func (b *Broker) Message(ctx context.Context, streamSeq uint64) (Delivery, error) {
	ctx, cancel := request(ctx)
	defer cancel()
	s, err := b.js.Stream(ctx, EventsStream)
	if err != nil {
		return Delivery{}, fmt.Errorf("read sequence %d: %w", streamSeq, classify(err))
	}
	// Any replica may answer. One that lags does not have what the leader has, so "not found" counts only when it stays.
	state := s.CachedInfo().State
	attempts := 1
	if state.FirstSeq <= streamSeq && streamSeq <= state.LastSeq {
		attempts = readAttempts
	}
	for try := 1; ; try++ {
		m, err := s.GetMsg(ctx, streamSeq)
		if err == nil {
			return Delivery{
				Subject: strings.TrimPrefix(m.Subject, EventsPrefix), Body: m.Data, StreamSeq: m.Sequence, Received: m.Time,
			}, nil
		}
		if !errors.Is(err, jetstream.ErrMsgNotFound) {
			return Delivery{}, fmt.Errorf("read sequence %d: %w", streamSeq, classify(err))
		}
		if try == attempts {
			return Delivery{}, fmt.Errorf("read sequence %d of %s: %w", streamSeq, EventsStream, ErrNotFound)
		}
		if err := pause(ctx, readPause); err != nil {
			return Delivery{}, fmt.Errorf("read sequence %d: %w", streamSeq, err)
		}
	}
}

// pause waits for d or for the end of ctx.
func pause(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
