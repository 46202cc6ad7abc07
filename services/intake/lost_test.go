package intake_test

import (
	"context"
	"encoding/json"
	"errors"
	"testing"
	"time"

	"spoilbook/services/broker"
	"spoilbook/services/intake"
	"spoilbook/services/rigtest"
)

// dying ends the intake at the moment it would send its first receipt, as a kill
// between store and receipts does.
type dying struct {
	*broker.Broker
	kill context.CancelFunc
}

var errKilled = errors.New("killed by the test")

func (d dying) PublishReceipt(context.Context, string, []byte) error {
	d.kill()
	return errKilled
}

// counting counts the receipts that are sent.
type counting struct {
	*broker.Broker
	sent chan string
}

func (c counting) PublishReceipt(ctx context.Context, source string, body []byte) error {
	c.sent <- source
	return c.Broker.PublishReceipt(ctx, source, body)
}

// An intake that died between store and receipts is made good by the next one,
// although no source sends anything; the one after it has nothing to send.
func TestReceiptsThatWereLostAreSentAtTheStart(t *testing.T) {
	r := newRig(t)
	r.publish([][]byte{truckRevision(t, 1, "TM-01"), siteArrival(t, "TM-01", 1, "J-1"), siteArrival(t, "TM-01", 3, "J-1")})
	s := r.store(r.engine.Transport())
	ctx, kill := context.WithCancel(t.Context())
	in, err := intake.New(ctx, intake.Config{Store: s, Receipts: dying{r.broker, kill}, Stream: r.stream})
	if err != nil {
		t.Fatal(err)
	}
	c, err := r.broker.Consume(ctx, broker.ConsumeOptions{From: 1})
	if err != nil {
		t.Fatal(err)
	}
	if err := in.Run(ctx, rigtest.Feed{Consumer: c}); err != nil {
		t.Fatal(err)
	}
	if handled, err := s.Handled(t.Context(), r.stream); err != nil || handled != 3 {
		t.Fatalf("handled %d, %v: the block was to be stored", handled, err)
	}
	if kept, err := r.broker.LastReceipts(t.Context(), []string{"truck.TM-01", "office.register"}); err != nil || len(kept) != 0 {
		t.Fatalf("receipts %q, %v: none was to be sent", kept, err)
	}
	for round, want := range []int{2, 0} {
		sent := make(chan string, 10)
		in, err := intake.New(t.Context(), intake.Config{Store: s, Receipts: counting{r.broker, sent}, Stream: r.stream})
		if err != nil {
			t.Fatal(err)
		}
		in.SendLostReceipts(t.Context())
		if len(sent) != want {
			t.Errorf("start %d sent %d receipts, want %d", round+1, len(sent), want)
		}
	}
	kept, err := r.broker.LastReceipts(t.Context(), []string{"truck.TM-01", "truck.TM-02"})
	if err != nil || len(kept) != 1 {
		t.Fatalf("last receipts %q, %v", kept, err)
	}
	var receipt struct {
		RecordedThrough, Highest uint64
		Missing                  []struct{ From, To uint64 }
	}
	if err := json.Unmarshal(kept["truck.TM-01"], &receipt); err != nil {
		t.Fatal(err)
	}
	if receipt.RecordedThrough != 1 || receipt.Highest != 3 || len(receipt.Missing) != 1 || receipt.Missing[0].From != 2 {
		t.Errorf("receipt %+v: 1 and 3 are recorded, 2 is missing", receipt)
	}
}

// Run begins with the receipts that were lost, before any message comes.
func TestRunBeginsWithLostReceipts(t *testing.T) {
	r := newRig(t)
	r.publish([][]byte{truckRevision(t, 1, "TM-01")})
	s := r.store(r.engine.Transport())
	if err := r.run(t.Context(), s, 1); err != nil {
		t.Fatal(err)
	}
	other, err := broker.Open(t.Context(), broker.Options{Dir: t.TempDir()}) // a broker that has no receipts
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := other.Close(context.Background()); err != nil {
			t.Error(err)
		}
	}()
	ctx, stop := context.WithTimeout(t.Context(), time.Minute)
	defer stop()
	sent := make(chan string, 10)
	in, err := intake.New(ctx, intake.Config{Store: s, Receipts: counting{other, sent}, Stream: r.stream})
	if err != nil {
		t.Fatal(err)
	}
	c, err := r.broker.Consume(ctx, broker.ConsumeOptions{From: 2})
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- in.Run(ctx, rigtest.Feed{Consumer: c}) }()
	select {
	case source := <-sent:
		if source != "office.register" {
			t.Errorf("a receipt for %s", source)
		}
	case <-ctx.Done():
		t.Error("no receipt was sent")
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}
