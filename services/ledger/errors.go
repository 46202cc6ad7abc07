package ledger

import (
	"errors"
	"fmt"
)

// Code names one kind of failure that a user can see.
type Code string

// The codes.
const (
	BadRequest    Code = "bad-request"    // the caller asked for something that makes no sense
	NotFound      Code = "not-found"      // no such event, entry, report or table
	TooLarge      Code = "too-large"      // body, page or batch over the limit
	Conflict      Code = "conflict"       // already settled, or somebody else holds it
	Moved         Code = "moved"          // the ledger went elsewhere
	InUse         Code = "in-use"         // data folder, port or lease held by another process
	Busy          Code = "busy"           // more is on the way than is taken at a time
	BrokerDown    Code = "broker-down"    // NATS does not answer
	BrokerFull    Code = "broker-full"    // NATS has no room
	StoreDown     Code = "store-down"     // ClickHouse does not answer
	ServerDown    Code = "server-down"    // another spoilbook does not answer
	EngineMissing Code = "engine-missing" // the engine can not be fetched or loaded
	Damaged       Code = "damaged"        // stored data does not say what was stored
	TimedOut      Code = "timed-out"      // it took longer than allowed
	ReadOnly      Code = "read-only"      // this ledger was opened without a broker
	Unfinished    Code = "unfinished"     // some messages were quarantined
	SignInNeeded  Code = "sign-in-needed" // who asks has not proved who they are
	NotAllowed    Code = "not-allowed"    // who asks may not do that
	IssuerDown    Code = "issuer-down"    // who tells us who somebody is does not answer as it should
	TooMany       Code = "too-many"       // too many tries or requests from one side
	Internal      Code = "internal"       // our mistake
)

// Outcome is what a code means to HTTP and to a shell.
type Outcome struct {
	Status int // HTTP
	Exit   int // process exit status
	Do     string
}

// OutcomeOf is the one table from codes to HTTP and exit statuses.
func OutcomeOf(c Code) Outcome {
	switch c {
	case BadRequest:
		return Outcome{400, 2, "correct what is named and try again"}
	case NotFound:
		return Outcome{404, 3, "check the name or number; list what there is first"}
	case TooLarge:
		return Outcome{413, 2, "send or ask for less at a time"}
	case Conflict:
		return Outcome{409, 4, "look at what stands there now"}
	case Moved:
		return Outcome{409, 4, "use the ledger where it went, as the message says"}
	case InUse:
		return Outcome{409, 4, "stop the other process, or use its address with --server"}
	case Busy:
		return Outcome{503, 5, "wait a little and send it again; nothing is lost"}
	case BrokerDown:
		return Outcome{503, 5, "check that the NATS server runs and its address is right; nothing is lost, try again"}
	case BrokerFull:
		return Outcome{507, 5, "make room or raise the broker's limit; nothing is lost, try again"}
	case StoreDown:
		return Outcome{503, 5, "check that the ClickHouse server runs and its address is right; events wait in the broker"}
	case ServerDown:
		return Outcome{503, 5, "check that spoilbook serve runs at that address; sending again is harmless"}
	case EngineMissing:
		return Outcome{503, 5, "install npm, or use a ClickHouse server with --clickhouse URL"}
	case Damaged:
		return Outcome{500, 6, "keep a copy of the data folder as it is; then do what the message says, or restore from a backup"}
	case TimedOut:
		return Outcome{504, 5, "try again, or ask for a shorter period"}
	case ReadOnly:
		return Outcome{409, 4, "open the ledger with its broker"}
	case SignInNeeded:
		return Outcome{401, 8, "sign in, or send a token that holds"}
	case NotAllowed:
		return Outcome{403, 8, "ask an administrator for the role that does this"}
	case IssuerDown:
		return Outcome{503, 5, "check that the OpenID Connect issuer runs and its address is right, or sign in with a password"}
	case TooMany:
		return Outcome{429, 5, "wait, then try again"}
	case Unfinished:
		return Outcome{200, 7, "see spoilbook quarantine list"}
	}
	return Outcome{500, 1, "report this with the log"}
}

// Codes lists every code.
func Codes() []Code {
	return []Code{BadRequest, NotFound, TooLarge, Conflict, Moved, InUse, Busy, BrokerDown, BrokerFull, StoreDown, ServerDown,
		EngineMissing, Damaged, TimedOut, ReadOnly, Unfinished, SignInNeeded, NotAllowed, IssuerDown, TooMany, Internal}
}

// Error is a failure with its code; What says what happened, for users, and the
// cause is for operators.
type Error struct {
	Code  Code
	What  string
	Cause error
}

// Error returns what happened and its cause.
func (e *Error) Error() string {
	if e.Cause == nil {
		return e.What
	}
	return e.What + ": " + e.Cause.Error()
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Cause }

// Fail makes an error without a cause.
func Fail(code Code, format string, args ...any) error {
	return &Error{Code: code, What: fmt.Sprintf(format, args...)}
}

// Wrap makes an error with a cause; it keeps the code of a cause that has one.
func Wrap(code Code, cause error, format string, args ...any) error {
	if cause == nil {
		return nil
	}
	var coded *Error
	if errors.As(cause, &coded) {
		code = coded.Code
	}
	return &Error{Code: code, What: fmt.Sprintf(format, args...), Cause: cause}
}

// CodeOf returns err's code, Internal when it has none.
func CodeOf(err error) Code {
	var coded *Error
	if errors.As(err, &coded) {
		return coded.Code
	}
	return Internal
}
