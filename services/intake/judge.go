package intake

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/services/ledger"
)

// The reasons for which a message is quarantined. They are stable.
const (
	RefuseInvalid      = "invalid"            // not JSON, or a field is wrong
	RefuseSubject      = "wrong-subject"      // published where another source publishes
	RefuseClock        = "clock-far-ahead"    // occurred more than a day after the broker got it
	RefuseUnknownTruck = "unknown-truck"      // the register has no such truck
	RefuseOtherBody    = "same-id-other-body" // the ledger has other bytes under this source and id
	RefuseNumberTaken  = "number-taken"       // the ledger has another event under this source and number
)

// maxAhead is how far a source's clock may be ahead of the broker's before its
// events are held back: further than any time zone mistake reaches.
const maxAhead = 24 * time.Hour

type refusal struct{ code, reason string }

// judged is a message with its event or the reason there is none.
type judged struct {
	ledger.Delivery
	event     events.Event
	canonical []byte
	hash      [32]byte
	refusal   *refusal
}

// judge decodes one message and checks what can be checked without the ledger.
func judge(d ledger.Delivery) judged {
	j := judged{Delivery: d}
	e, err := wire.Decode(d.Body)
	if err == nil {
		j.canonical, err = wire.Encode(&e)
	}
	if err != nil {
		reason := err.Error()
		if invalid := (*events.ValidationError)(nil); errors.As(err, &invalid) {
			reason = invalid.Error()
		}
		j.refusal = &refusal{RefuseInvalid, shortened(reason)}
		return j
	}
	j.event, j.hash = e, chain.LeafHash(j.canonical)
	if subject, err := ledger.SubjectOf(e.Source); d.Subject != "" && (err != nil || subject != d.Subject) {
		j.refusal = &refusal{RefuseSubject, fmt.Sprintf("source %s was published on %q; allowed: %q", e.Source, d.Subject, subject)}
	}
	if ahead := time.Duration(e.Occurred.UnixMS-d.Received.UnixMilli()) * time.Millisecond; !d.Received.IsZero() && ahead > maxAhead && !neverRefused(e.Kind()) {
		j.refusal = &refusal{RefuseClock, fmt.Sprintf("time: found %s, %s after the broker received it; allowed: at most %s; set the truck's clock", e.Occurred, ahead.Round(time.Second), maxAhead)}
	}
	return j
}

// maxReason bounds the reason of a refusal, which quotes what was found: that may be
// nearly all of a large message.
const maxReason = 4 << 10

func shortened(reason string) string {
	if len(reason) <= maxReason {
		return reason
	}
	return strings.ToValidUTF8(reason[:maxReason], "") + "…"
}

// neverRefused holds for emergency stops: wherever and whenever one was pressed,
// it is recorded.
func neverRefused(k events.Kind) bool { return k == events.KindEmergencyStopPressed }

// judgeAll judges messages on two goroutines, which decoding is bound by.
func judgeAll(ds []ledger.Delivery) []judged {
	out := make([]judged, len(ds))
	half := len(ds) / 2
	var wg sync.WaitGroup
	for _, part := range [][2]int{{0, half}, {half, len(ds)}} {
		wg.Go(func() {
			for i := part[0]; i < part[1]; i++ {
				out[i] = judge(ds[i])
			}
		})
	}
	wg.Wait()
	return out
}
