package broker

import (
	"context"
	"crypto/subtle"
	"errors"
	"fmt"
	"maps"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

const (
	admitTimeout  = 1500 * time.Millisecond // the server itself waits two seconds
	recheckEvery  = 15 * time.Second
	maxGuestConns = 1024
)

// Rights is what a client of the port may do: classes and names of sources, "truck.TM-01", or patterns of them, "truck.>" and ">".
type Rights struct {
	Name     string    // of the client, one token; its inbox is _INBOX.Name
	Ends     time.Time // when it is disconnected; zero for never
	Enter    []string  // to publish events
	Receipts []string  // to read receipts, as they come and the last one of each source
	Live     []string  // to read events as they come in
}

// Publish lists the subjects on which a client with these rights may publish. There is no API of consumers among them: who may make a consumer
// may have messages delivered to a subject of others.
func (r Rights) Publish() []string {
	list := []string{"$JS.API.INFO"}
	for _, s := range r.Enter {
		list = append(list, EventsPrefix+s)
	}
	for _, s := range r.Receipts {
		list = append(list, "$JS.API.DIRECT.GET."+ReceiptsStream+"."+ReceiptsPrefix+s)
	}
	return list
}

// Subscribe lists the subjects to which a client with these rights may subscribe. Its inbox has its own name, for who may read every inbox reads
// the answers to others.
func (r Rights) Subscribe() []string {
	list := []string{"_INBOX." + r.Name + ".>"}
	for _, s := range r.Receipts {
		list = append(list, ReceiptsPrefix+s)
	}
	for _, s := range r.Live {
		list = append(list, EventsPrefix+s)
	}
	return list
}

// Config writes these rights as a user of a NATS server's configuration, with a password from an environment variable.
func (r Rights) Config() string {
	var b strings.Builder
	variable := strings.ToUpper(strings.NewReplacer("-", "_").Replace(r.Name)) + "_PASSWORD"
	fmt.Fprintf(&b, "{\n  user: %q\n  password: $%s\n  permissions {\n", r.Name, variable)
	for _, side := range []struct {
		name string
		list []string
	}{{"publish", r.Publish()}, {"subscribe", r.Subscribe()}} {
		fmt.Fprintf(&b, "    %s { allow: [\n", side.name)
		for _, subject := range side.list {
			fmt.Fprintf(&b, "      %q\n", subject)
		}
		b.WriteString("    ] }\n")
	}
	b.WriteString("  }\n}\n")
	return b.String()
}

func (r Rights) permissions() *server.Permissions {
	return &server.Permissions{Publish: &server.SubjectPermission{Allow: r.Publish()}, Subscribe: &server.SubjectPermission{Allow: r.Subscribe()}}
}

// Check refuses rights that would be more than they say.
func (r Rights) Check() error {
	if err := checkToken(r.Name); err != nil {
		return err
	}
	for _, list := range [][]string{r.Enter, r.Receipts, r.Live} {
		for _, s := range list {
			if class, all := strings.CutSuffix(s, ".>"); s == ">" || all && checkToken(class) == nil {
				continue
			}
			if err := CheckSource(s); err != nil {
				return err
			}
		}
	}
	return nil
}

// Admitter says what whoever has a secret may do, or that nobody has it.
type Admitter func(ctx context.Context, secret string) (Rights, error)

// door asks each client of the port who it is: the server calls it.
type door struct {
	secret string // of this process itself
	log    func(msg string, args ...any)

	mu     sync.Mutex
	admit  Admitter          // nil until Admit was called: nobody is let in before
	guests map[uint64]string // secrets of who is connected
}

// Check is called by the server for each client that connects.
func (d *door) Check(c server.ClientAuthentication) bool {
	o := c.GetOpts()
	if o.Username == hubUser && subtle.ConstantTimeCompare([]byte(o.Password), []byte(d.secret)) == 1 {
		c.RegisterUser(&server.User{Username: hubUser})
		return true
	}
	secret := o.Token
	if secret == "" {
		secret = o.Password
	}
	if secret == "" {
		return false
	}
	rights, err := d.rights(secret)
	if err != nil {
		d.log("broker: a client was not let in", "error", err)
		return false
	}
	c.RegisterUser(&server.User{Username: rights.Name, Permissions: rights.permissions(), ConnectionDeadline: rights.Ends})
	d.mu.Lock()
	d.guests[c.GetID()] = secret
	d.mu.Unlock()
	return true
}

// recheck disconnects who may no longer be there, or may something else by now, until ctx ends.
func (d *door) recheck(ctx context.Context, srv *server.Server) {
	tick := time.NewTicker(recheckEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			d.recheckOnce(srv)
		}
	}
}

func (d *door) recheckOnce(srv *server.Server) {
	d.mu.Lock()
	guests := maps.Clone(d.guests)
	d.mu.Unlock()
	for id, secret := range guests {
		if srv.GetClient(id) != nil {
			if _, err := d.rights(secret); err == nil || d.unsure(err) {
				continue
			}
			d.log("broker: a client may no longer be there", "client", id)
			_ = srv.DisconnectClientByID(id) // it may have gone meanwhile
		}
		d.mu.Lock()
		delete(d.guests, id)
		d.mu.Unlock()
	}
}

// unsure holds for errors that say nothing about the client.
func (d *door) unsure(err error) bool {
	return errors.Is(err, ErrUnavailable) || errors.Is(err, context.DeadlineExceeded)
}

// Admit says who is let in at the port of the in-process server, where Options.Guarded closes it to all others. Clients are asked again every
// quarter of a minute, so that a right that was taken away ends.
func (b *Broker) Admit(admit Admitter) {
	if b.server == nil || b.server.door == nil {
		return
	}
	b.server.door.mu.Lock()
	b.server.door.admit = admit
	b.server.door.mu.Unlock()
}

func (d *door) rights(secret string) (Rights, error) {
	d.mu.Lock()
	admit := d.admit
	d.mu.Unlock()
	if admit == nil {
		return Rights{}, fmt.Errorf("%w: the service is starting", ErrUnavailable)
	}
	ctx, cancel := context.WithTimeout(context.Background(), admitTimeout)
	defer cancel()
	rights, err := admit(ctx, secret)
	if err == nil {
		err = rights.Check()
	}
	return rights, err
}
