package broker

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"
)

// Errors a caller can act on. Each is found with errors.Is in whatever the package returns.
var (
	// ErrFull means the events stream, its account or its disk has no room: nothing was discarded, and publishing works again once
	// there is room.
	ErrFull = errors.New("broker is full: raise the storage limit or free disk space; nothing was discarded")
	// ErrUnavailable means the broker did not answer in time: it is down, unreachable, or has stopped its storage.
	ErrUnavailable = errors.New("broker unavailable")
	// ErrTooLarge means a message is over MaxBodyBytes, or over the payload limit of an external server.
	ErrTooLarge = errors.New("message too large")
	// ErrSubject means a subject or name is not made of the allowed tokens.
	ErrSubject = errors.New("bad subject")
	// ErrNotFound means the stream holds no message at that sequence.
	ErrNotFound = errors.New("no such message")
	// ErrSettings means that the options or the credentials are not usable, or that a stream or consumer exists with settings that could
	// lose events. The rest of the error says what to change.
	ErrSettings = errors.New("broker settings")

	// ErrMoved means that the ledger of this stream went elsewhere.
	ErrMoved = errors.New("the ledger of this stream moved")
	// ErrServerTooOld means the server lacks a feature the package needs.
	ErrServerTooOld = errors.New("broker server is too old")
	// ErrDamaged means that stored messages are missing, or that the storage folder holds a stream the server could not read.
	ErrDamaged = errors.New("broker storage is damaged")
	// ErrLeaseHeld means that another holder has the lease. The error is a *LeaseHeldError, which names the holder.
	ErrLeaseHeld = errors.New("lease is held")
	// ErrClosed means that the broker, or the consumer, was closed by its owner.
	ErrClosed = errors.New("broker is closed")
)

// PublishError says how far Publish got: messages before Index are stored, the message at Index and those after it are not known to be.
type PublishError struct {
	Index   int    // of the first message that was not published
	Subject string // of that message
	Err     error
}

// Error names the message and the cause.
func (e *PublishError) Error() string {
	return fmt.Sprintf("publish message %d (%s): %v", e.Index, e.Subject, e.Err)
}

// Unwrap returns the cause.
func (e *PublishError) Unwrap() error { return e.Err }

// LeaseHeldError names the holder that keeps a lease.
type LeaseHeldError struct {
	Name   string
	Holder string
}

// Error names the lease and its holder.
func (e *LeaseHeldError) Error() string {
	return fmt.Sprintf("lease %q is held by %q: stop that process first, or wait for its lease to run out", e.Name, e.Holder)
}

// Is makes errors.Is(err, ErrLeaseHeld) true.
func (e *LeaseHeldError) Is(target error) bool { return target == ErrLeaseHeld }

// GapError reports stream sequences First to Last (both inclusive) that were stored once and are gone. It matches ErrDamaged.
type GapError struct {
	First, Last uint64
}

// Error names the lost range and the way out.
func (e *GapError) Error() string {
	return fmt.Sprintf("stream sequences %d to %d are missing from the broker: restore its storage, or have the trucks send again what "+
		"was never receipted and continue with ConsumeOptions.From %d", e.First, e.Last, e.Last+1)
}

// Is makes errors.Is(err, ErrDamaged) true.
func (e *GapError) Is(target error) bool { return target == ErrDamaged }

// JetStream error codes that the client libraries give no name to.
const (
	codeAccountResources      jetstream.ErrorCode = 10002
	codeClusterUnavailable    jetstream.ErrorCode = 10008
	codeClusterNotLeader      jetstream.ErrorCode = 10009
	codeInsufficientResources jetstream.ErrorCode = 10023
	codeStorageResources      jetstream.ErrorCode = 10047
	codeStoreFailed           jetstream.ErrorCode = 10077
	codeStreamOffline         jetstream.ErrorCode = 10194
)

// classify adds the package's own error to a client error, so that callers need not know the client library.
func classify(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, context.Canceled):
		return err
	case isFull(err):
		return fmt.Errorf("%w (%w)", ErrFull, err)
	case isTooLarge(err):
		return fmt.Errorf("%w (%w)", ErrTooLarge, err)
	case isUnavailable(err):
		return fmt.Errorf("%w (%w)", ErrUnavailable, err)
	}
	return err
}

func apiCode(err error) (jetstream.ErrorCode, string) {
	var api *jetstream.APIError
	if errors.As(err, &api) {
		return api.ErrorCode, api.Description
	}
	return 0, ""
}

func isFull(err error) bool {
	code, text := apiCode(err)
	switch code {
	case codeAccountResources, codeInsufficientResources, codeStorageResources:
		return true
	case codeStoreFailed:
		return strings.Contains(text, "maximum bytes exceeded") ||
			strings.Contains(text, "maximum messages exceeded") ||
			strings.Contains(text, "no space left")
	}
	return false
}

func isTooLarge(err error) bool {
	code, _ := apiCode(err)
	return code == jetstream.JSErrCodeStreamMessageExceedsMaximum || errors.Is(err, nats.ErrMaxPayload)
}

// isUnavailable is true for what another try could cure without a change of settings.
func isUnavailable(err error) bool {
	for _, target := range []error{
		context.DeadlineExceeded, nats.ErrTimeout, nats.ErrNoResponders, nats.ErrConnectionClosed, nats.ErrConnectionReconnecting,
		nats.ErrReconnectBufExceeded, nats.ErrDisconnected, nats.ErrNoServers, nats.ErrConnectionDraining, nats.ErrStaleConnection,
		jetstream.ErrNoStreamResponse, jetstream.ErrNoHeartbeat, jetstream.ErrServerShutdown, jetstream.ErrConsumerLeadershipChanged,
	} {
		if errors.Is(err, target) {
			return true
		}
	}
	switch code, _ := apiCode(err); code {
	case codeClusterUnavailable, codeClusterNotLeader, codeStoreFailed,
		jetstream.JSErrCodeJetStreamNotEnabled,
		jetstreamext.JSErrCodeBatchPublishIncomplete,
		jetstreamext.JSErrCodeAtomicPublishTooManyInflight,
		jetstreamext.JSErrCodeBatchPublishTooManyInflight:
		return true
	}
	return false
}
