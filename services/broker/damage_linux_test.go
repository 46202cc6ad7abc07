package broker

import (
	"errors"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// The disk fills up to the reserve: publishing is refused, and works again by itself when there is room.
func TestDiskNearlyFull(t *testing.T) {
	b := mustOpen(t, Options{Dir: t.TempDir()})
	publish(t, b, numbered(0, 2))
	b.server.reserve.Store(math.MaxUint64)
	for _, n := range []int{1, 5} {
		_, err := b.Publish(t.Context(), numbered(2, n))
		wantError(t, err, ErrFull)
	}
	wantError(t, b.PublishReceipt(t.Context(), "truck.TM-01", nil), ErrFull)
	wantError(t, b.Health(t.Context()), ErrFull)
	c := consume(t, b, ConsumeOptions{})
	fetch(t, c, 0, 2)
	must(t, c.Ack(t.Context(), 2))
	b.server.reserve.Store(diskReserveBytes)
	must(t, b.Health(t.Context()))
	publish(t, b, numbered(2, 3))
	fetch(t, c, 2, 3)
}

// Every write to the second message file fails. The server answers nothing then; the error must say what happened all the same, and soon. A
// new start on a disk that works goes on without a loss.
func TestServerThatStoppedWriting(t *testing.T) {
	t.Parallel()
	for name, n := range map[string]int{"one": 1, "batch": 3} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			b := mustOpen(t, Options{Dir: dir})
			block := filepath.Join(b.server.streamFolder(EventsStream), "msgs", "2.blk")
			must(t, os.Symlink("/dev/full", block))
			msgs := make([]Message, n)
			for i := range msgs {
				msgs[i] = Message{Subject: "office.main", Body: make([]byte, MaxBodyBytes)}
			}
			stored, begun := 0, time.Now()
			var err error
			for stored < 30 && err == nil {
				var acks []Ack
				acks, err = b.Publish(t.Context(), msgs)
				stored += len(acks)
			}
			stopped := func(err error) {
				t.Helper()
				if err == nil || !strings.Contains(err.Error(), "the in-process server has stopped writing") {
					t.Errorf("error is %v", err)
				}
			}
			stopped(err)
			_, err = b.Publish(t.Context(), msgs)
			stopped(err)
			stopped(b.Health(t.Context()))
			if took := time.Since(begun); took > 3*requestTimeout {
				t.Errorf("it took %s to notice", took)
			}
			must(t, b.Close(t.Context()))

			must(t, os.Remove(block))
			b = mustOpen(t, Options{Dir: dir})
			must(t, b.Health(t.Context()))
			// The message or batch that was refused may be stored after all, whole.
			state, err := b.StreamState(t.Context())
			must(t, err)
			if state.Deleted != 0 || (state.Msgs != uint64(stored) && state.Msgs != uint64(stored+n)) || stored < 3 {
				t.Errorf("%d messages were acknowledged, state is %+v", stored, state)
			}
			acks, err := b.Publish(t.Context(), msgs)
			must(t, err)
			if acks[0].StreamSeq != state.LastSeq+1 {
				t.Errorf("stored at %d after %d", acks[0].StreamSeq, state.LastSeq)
			}
		})
	}
}

// The lines are those of nats-server 2.15.2 on a full disk.
func TestServerLogTellsAFullDisk(t *testing.T) {
	for line, want := range map[string]error{
		"JetStream stream '$G > SPOILBOOK_EVENTS' critical write error: write /x/3.blk: no space left on device": ErrFull,
		"Filestore [SPOILBOOK_EVENTS] Critical write error: write /x/3.blk: no space left on device":             ErrFull,
		"JetStream stream '$G > SPOILBOOK_EVENTS' critical write error: write /x/3.blk: input/output error":      ErrUnavailable,
		"JetStream out of resources, will be DISABLED":                                                           ErrUnavailable,
		// One batch could not be collected; the stream itself is well.
		"Filestore [dkRmVlpv] Critical write error: write /x/SPOILBOOK_EVENTS/batches/dkRmVlpv/msgs/1.blk: no space left on device": nil,
		"Something else": nil,
	} {
		e := &embedded{dir: t.TempDir(), log: &serverLog{log: slog.New(slog.DiscardHandler)}}
		e.log.Errorf("%s", line)
		e.log.Errorf("%s", "another error")
		if err := e.writable(); !errors.Is(err, want) {
			t.Errorf("after %q the error is %v, want %v", line, err, want)
		}
	}
}
