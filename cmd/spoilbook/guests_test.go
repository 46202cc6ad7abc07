package main

import (
	"bufio"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/services/access"
	"spoilbook/services/broker"
)

// spoken connects to a NATS server with a token, sends lines of its protocol, and returns what is answered up to the end or a PONG.
func spoken(t *testing.T, address, token string, lines ...string) string {
	t.Helper()
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	r := bufio.NewReader(c)
	if info, err := r.ReadString('\n'); err != nil || !strings.HasPrefix(info, "INFO ") {
		t.Fatalf("%q, %v", info, err)
	}
	fmt.Fprintf(c, "CONNECT {\"verbose\":false,\"auth_token\":%q}\r\n%sPING\r\n", token, strings.Join(append(lines, ""), "\r\n"))
	var said strings.Builder
	for {
		line, err := r.ReadString('\n')
		if said.WriteString(line); err != nil || line == "PONG\r\n" {
			return said.String()
		}
	}
}

// One token is the credential of HTTP and of NATS.
func TestTokensAtTheBroker(t *testing.T) {
	ctx := t.Context()
	b, err := broker.Open(ctx, broker.Options{Dir: t.TempDir(), Listen: "127.0.0.1:0", Guarded: true, MaxStoreBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	defer closeBroker(t, b)
	shelf, err := b.Records(ctx, peopleShelf)
	if err != nil {
		t.Fatal(err)
	}
	book, err := access.New(access.Config{Vault: vault{shelf}, HashKiB: 64})
	if err != nil {
		t.Fatal(err)
	}
	b.Admit(admitter(book))
	made, secret, err := book.MakeToken(ctx, access.Everyone(), access.Token{Role: access.Truck, Trucks: []events.TruckID{"TM-01"}, For: "controller", Ends: time.Now().Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	address := strings.TrimPrefix(b.ClientURL(), "nats://")
	if said := spoken(t, address, secret, "PUB spoilbook.events.truck.TM-01 2", "{}"); strings.Contains(said, "-ERR") || !strings.HasSuffix(said, "PONG\r\n") {
		t.Errorf("a truck's own event: %q", said)
	}
	if said := spoken(t, address, secret, "PUB spoilbook.events.truck.TM-02 2", "{}"); !strings.Contains(said, "Permissions Violation") {
		t.Errorf("an event of another truck: %q", said)
	}
	if said := spoken(t, address, secret, "SUB $KV.> 1"); !strings.Contains(said, "Permissions Violation") {
		t.Errorf("the records of people: %q", said)
	}
	for what, token := range map[string]string{"nothing": "", "a wrong one": "sbk_" + strings.Repeat("A", 32)} {
		if said := spoken(t, address, token); !strings.Contains(said, "Authorization Violation") {
			t.Errorf("%s: %q", what, said)
		}
	}
	if err := book.Revoke(ctx, made.ID); err != nil {
		t.Fatal(err)
	}
	if said := spoken(t, address, secret); !strings.Contains(said, "Authorization Violation") {
		t.Errorf("a revoked token: %q", said)
	}
	state, err := b.StreamState(ctx)
	if err != nil || state.Msgs != 1 {
		t.Errorf("the stream holds %d messages, want the truck's own: %v", state.Msgs, err)
	}
}
