package broker

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
)

// guest is a client of the port, with what the server refused it.
type guest struct {
	*nats.Conn
	mu      sync.Mutex
	refused []string
}

func enter(t *testing.T, b *Broker, secret, name string) *guest {
	t.Helper()
	g := &guest{}
	var err error
	g.Conn, err = nats.Connect(b.ClientURL(), nats.Token(secret), nats.CustomInboxPrefix("_INBOX."+name), nats.NoReconnect(),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			g.mu.Lock()
			g.refused = append(g.refused, err.Error())
			g.mu.Unlock()
		}))
	must(t, err)
	t.Cleanup(g.Close)
	return g
}

// may reports whether the server lets the guest do something, which says so before it answers a flush.
func (g *guest) may(t *testing.T, do func() error) bool {
	t.Helper()
	g.mu.Lock()
	g.refused = nil
	g.mu.Unlock()
	must(t, do())
	must(t, g.Flush())
	// The client tells errors in a goroutine of its own, in order: one more that is sure to come is told last.
	must(t, g.Publish("$SYS.forbidden", nil))
	must(t, g.Flush())
	for {
		g.mu.Lock()
		n := len(g.refused)
		last := n > 0 && strings.Contains(g.refused[n-1], "$SYS.forbidden")
		g.mu.Unlock()
		if last {
			return n == 1
		}
		time.Sleep(time.Millisecond)
	}
}

func rightsOfTests() map[string]Rights {
	return map[string]Rights{
		"truck":  {Name: "t1", Enter: []string{"truck.TM-01"}, Receipts: []string{"truck.TM-01"}},
		"crew":   {Name: "c1", Receipts: []string{"truck.TM-01"}, Live: []string{"truck.TM-01"}},
		"yard":   {Name: "y1", Receipts: []string{">"}, Live: []string{"truck.>"}},
		"office": {Name: "o1", Enter: []string{">"}, Receipts: []string{">"}, Live: []string{">"}},
	}
}

func newGuarded(t *testing.T, admit Admitter) *Broker {
	t.Helper()
	b := mustOpen(t, Options{Dir: t.TempDir(), Listen: "127.0.0.1:0", Guarded: true})
	b.Admit(admit)
	return b
}

func admitTests(_ context.Context, secret string) (Rights, error) {
	r, ok := rightsOfTests()[secret]
	if !ok {
		return Rights{}, errors.New("nobody has this token")
	}
	return r, nil
}

// may says in full what each kind of guest may publish (p) and subscribe to (s).
const may = `
subject                                                              truck crew yard office
spoilbook.events.truck.TM-01                                         p     s    s    ps
spoilbook.events.truck.TM-02                                         -     -    s    ps
spoilbook.events.office.desk                                         -     -    -    ps
spoilbook.events.truck.*                                             -     -    s    s
spoilbook.events.>                                                   -     -    -    s
spoilbook.receipts.truck.TM-01                                       s     s    s    s
spoilbook.receipts.truck.TM-02                                       -     -    s    s
spoilbook.receipts.office.desk                                       -     -    s    s
spoilbook.receipts.>                                                 -     -    s    s
_INBOX.t1.x                                                          s     -    -    -
_INBOX.o1.x                                                          -     -    -    s
_INBOX.>                                                             -     -    -    -
>                                                                    -     -    -    -
$SYS.>                                                               -     -    -    -
$SYS.REQ.SERVER.PING                                                 -     -    -    -
$KV.SPOILBOOK_PEOPLE.>                                               -     -    -    -
$KV.SPOILBOOK_PEOPLE.user.eve                                        -     -    -    -
$JS.API.>                                                            -     -    -    -
$JS.API.INFO                                                         p     p    p    p
$JS.API.STREAM.NAMES                                                 -     -    -    -
$JS.API.STREAM.LIST                                                  -     -    -    -
$JS.API.STREAM.CREATE.X                                              -     -    -    -
$JS.API.STREAM.UPDATE.SPOILBOOK_EVENTS                               -     -    -    -
$JS.API.STREAM.DELETE.SPOILBOOK_EVENTS                               -     -    -    -
$JS.API.STREAM.PURGE.SPOILBOOK_EVENTS                                -     -    -    -
$JS.API.STREAM.INFO.SPOILBOOK_EVENTS                                 -     -    -    -
$JS.API.STREAM.INFO.KV_SPOILBOOK_PEOPLE                              -     -    -    -
$JS.API.STREAM.MSG.GET.SPOILBOOK_EVENTS                              -     -    -    -
$JS.API.STREAM.MSG.DELETE.SPOILBOOK_EVENTS                           -     -    -    -
$JS.API.STREAM.MSG.GET.KV_SPOILBOOK_PEOPLE                           -     -    -    -
$JS.API.DIRECT.GET.SPOILBOOK_EVENTS                                  -     -    -    -
$JS.API.DIRECT.GET.SPOILBOOK_EVENTS.spoilbook.events.truck.TM-01     -     -    -    -
$JS.API.DIRECT.GET.KV_SPOILBOOK_PEOPLE                               -     -    -    -
$JS.API.DIRECT.GET.KV_SPOILBOOK_PEOPLE.$KV.SPOILBOOK_PEOPLE.user.ann -     -    -    -
$JS.API.DIRECT.GET.SPOILBOOK_RECEIPTS                                -     -    -    -
$JS.API.DIRECT.GET.SPOILBOOK_RECEIPTS.spoilbook.receipts.truck.TM-01 p     p    p    p
$JS.API.DIRECT.GET.SPOILBOOK_RECEIPTS.spoilbook.receipts.truck.TM-02 -     -    p    p
$JS.API.CONSUMER.CREATE.SPOILBOOK_EVENTS                             -     -    -    -
$JS.API.CONSUMER.CREATE.SPOILBOOK_RECEIPTS                           -     -    -    -
$JS.API.CONSUMER.CREATE.SPOILBOOK_RECEIPTS.x                         -     -    -    -
$JS.API.CONSUMER.DURABLE.CREATE.SPOILBOOK_EVENTS.x                   -     -    -    -
$JS.API.CONSUMER.LIST.SPOILBOOK_EVENTS                               -     -    -    -
$JS.API.CONSUMER.INFO.SPOILBOOK_EVENTS.x                             -     -    -    -
$JS.API.CONSUMER.MSG.NEXT.SPOILBOOK_EVENTS.x                         -     -    -    -
$JS.API.CONSUMER.DELETE.SPOILBOOK_EVENTS.x                           -     -    -    -
$JS.ACK.SPOILBOOK_EVENTS.x.1.1.1.1.1                                 -     -    -    -
$JS.FC.SPOILBOOK_RECEIPTS.x                                          -     -    -    -
`

func TestWhatGuestsMay(t *testing.T) {
	b := newGuarded(t, admitTests)
	lines := strings.Split(strings.TrimSpace(may), "\n")
	kinds := strings.Fields(lines[0])[1:]
	for k, kind := range kinds {
		g := enter(t, b, kind, rightsOfTests()[kind].Name)
		for _, line := range lines[1:] {
			cells := strings.Fields(line)
			subject, got := cells[0], ""
			if !strings.ContainsAny(subject, "*>") && g.may(t, func() error { return g.Publish(subject, []byte("{}")) }) {
				got += "p"
			}
			if g.may(t, func() error { _, err := g.SubscribeSync(subject); return err }) {
				got += "s"
			}
			if got == "" {
				got = "-"
			}
			if got != cells[k+1] {
				t.Errorf("%s as %s: %s, want %s", subject, kind, got, cells[k+1])
			}
		}
	}
	if len(kinds) != len(rightsOfTests()) {
		t.Errorf("the table has %d kinds", len(kinds))
	}
}

func TestATruckHandsOverAndReadsItsReceipts(t *testing.T) {
	b := newGuarded(t, admitTests)
	g := enter(t, b, "truck", "t1")
	live, err := g.SubscribeSync(ReceiptsPrefix + "truck.TM-01")
	must(t, err)
	must(t, g.Flush())
	ack, err := g.Request(EventsPrefix+"truck.TM-01", []byte("{}"), 5*time.Second)
	if err != nil || !strings.Contains(string(ack.Data), `"seq":1`) {
		t.Fatalf("acknowledged by %v, %v", ack, err)
	}
	must(t, b.PublishReceipt(t.Context(), "truck.TM-02", []byte("of another")))
	must(t, b.PublishReceipt(t.Context(), "truck.TM-01", []byte("recorded")))
	m, err := live.NextMsg(5 * time.Second)
	if err != nil || string(m.Data) != "recorded" {
		t.Fatalf("receipt %v, %v", m, err)
	}
	const last = "$JS.API.DIRECT.GET." + ReceiptsStream + "." + ReceiptsPrefix + "truck.TM-01"
	m, err = g.Request(last, nil, 5*time.Second)
	if err != nil || string(m.Data) != "recorded" {
		t.Fatalf("last receipt %v, %v", m, err)
	}
	// What is asked for in the body does not widen what the subject names.
	for _, body := range []string{`{"last_by_subj":"spoilbook.receipts.truck.TM-02"}`, `{"multi_last":["spoilbook.receipts.>"]}`, `{"seq":1}`, `{"next_by_subj":"spoilbook.receipts.>","seq":1,"batch":9}`} {
		if m, err := g.Request(last, []byte(body), 5*time.Second); err == nil && string(m.Data) == "of another" {
			t.Errorf("with %s a truck reads another's receipt", body)
		}
	}
}

func TestWhoIsLetIn(t *testing.T) {
	b := mustOpen(t, Options{Dir: t.TempDir(), Listen: "127.0.0.1:0", Guarded: true})
	refusesToken := func(options ...nats.Option) {
		t.Helper()
		if c, err := nats.Connect(b.ClientURL(), options...); err == nil {
			c.Close()
			t.Error("somebody was let in")
		} else if !errors.Is(err, nats.ErrAuthorization) {
			t.Error(err)
		}
	}
	refusesToken(nats.Token("truck")) // before it is said who may
	b.Admit(admitTests)
	refusesToken()
	refusesToken(nats.Token("wrong"))
	refusesToken(nats.UserInfo(hubUser, ""))
	refusesToken(nats.UserInfo(hubUser, "wrong"))
	refusesToken(nats.UserInfo(guestUser, ""))
	enter(t, b, "truck", "t1")
	c, err := nats.Connect(b.ClientURL(), nats.UserInfo("whoever", "truck"), nats.CustomInboxPrefix("_INBOX.t1")) // as a password, for clients without tokens
	must(t, err)
	c.Close()
}

func TestARightThatEnds(t *testing.T) {
	var mu sync.Mutex
	var failing error
	b := newGuarded(t, func(ctx context.Context, secret string) (Rights, error) {
		mu.Lock()
		defer mu.Unlock()
		if failing != nil {
			return Rights{}, failing
		}
		r, err := admitTests(ctx, secret)
		if secret == "office" {
			r.Ends = time.Now().Add(500 * time.Millisecond)
		}
		return r, err
	})
	truck, office := enter(t, b, "truck", "t1"), enter(t, b, "office", "o1")
	closes := func(g *guest) {
		t.Helper()
		for !g.IsClosed() {
			time.Sleep(time.Millisecond)
		}
	}
	closes(office) // its token is past its end
	b.server.door.recheckOnce(b.server.srv)
	mu.Lock()
	failing = fmt.Errorf("%w: the store of people", ErrUnavailable)
	mu.Unlock()
	b.server.door.recheckOnce(b.server.srv)
	must(t, truck.Flush()) // what is not known for sure ends nothing
	mu.Lock()
	failing = errors.New("revoked")
	mu.Unlock()
	b.server.door.recheckOnce(b.server.srv)
	closes(truck)
	if n := len(b.server.door.guests); n != 0 {
		t.Errorf("%d guests are remembered", n)
	}
}

func TestRightsThatAreMoreThanTheySay(t *testing.T) {
	for _, r := range []Rights{{Name: ""}, {Name: "*"}, {Name: "a.b"}, {Name: "a", Enter: []string{"*"}}, {Name: "a", Enter: []string{"truck.*"}}, {Name: "a", Receipts: []string{""}},
		{Name: "a", Live: []string{"truck"}}, {Name: "a", Enter: []string{"*.>"}}, {Name: "a", Enter: []string{"truck.TM-01.>"}}} {
		if err := r.Check(); err == nil {
			t.Errorf("%+v is taken", r)
		}
	}
	for _, r := range rightsOfTests() {
		must(t, r.Check())
	}
}
