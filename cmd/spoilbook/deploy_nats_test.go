package main

import (
	"context"
	"fmt"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"spoilbook/services/broker"
)

// clusterPatience is how long three new servers may take to choose a leader.
const clusterPatience = time.Minute

// startCluster starts three servers from deploy/nats.conf on loopback ports and
// returns their client addresses.
func startCluster(t *testing.T) []string {
	t.Helper()
	clients, routes := freePorts(t, 3), freePorts(t, 3)
	t.Setenv("HUB_PASSWORD", "hub-secret")
	t.Setenv("TRUCK_TM_01_PASSWORD", "truck-secret")
	for i, route := range routes {
		t.Setenv(fmt.Sprintf("ROUTE_%d", i+1), "nats://"+route)
	}
	nodes := make([]*server.Server, 3)
	for i := range nodes {
		t.Setenv("NODE_NAME", fmt.Sprintf("hub-%d", i+1))
		t.Setenv("NODE_CLIENTS", clients[i])
		t.Setenv("NODE_MONITOR", "127.0.0.1:-1")
		t.Setenv("NODE_ROUTES", routes[i])
		t.Setenv("NODE_STORE", t.TempDir())
		o, err := server.ProcessConfigFile(filepath.Join(projectRoot, "deploy", "nats.conf"))
		if err != nil {
			t.Fatal(err)
		}
		if !o.SyncAlways || !o.JetStream {
			t.Fatalf("sync always is %v and JetStream is %v", o.SyncAlways, o.JetStream)
		}
		o.NoSigs, o.NoLog = true, true
		if nodes[i], err = server.NewServer(o); err != nil {
			t.Fatal(err)
		}
		nodes[i].Start()
	}
	t.Cleanup(func() {
		var wg sync.WaitGroup
		for _, n := range nodes {
			wg.Go(func() { n.Shutdown(); n.WaitForShutdown() })
		}
		wg.Wait()
	})
	return clients
}

// freePorts returns loopback addresses that nobody listened on a moment ago.
func freePorts(t *testing.T, n int) []string {
	t.Helper()
	var addresses []string
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		addresses = append(addresses, l.Addr().String())
	}
	return addresses
}

func clusterURL(addresses []string, user, password string) string {
	urls := make([]string, len(addresses))
	for i, a := range addresses {
		urls[i] = "nats://" + user + ":" + password + "@" + a
	}
	return strings.Join(urls, ",")
}

// The configuration of the broker cluster is started as it is: the hub gets its
// streams in three copies, and a truck may do what is its own and nothing else.
func TestBrokerClusterConfiguration(t *testing.T) {
	addresses := startCluster(t)
	ctx, cancel := context.WithTimeout(t.Context(), clusterPatience)
	defer cancel()
	hub := openWhenReady(ctx, t, broker.Options{URL: clusterURL(addresses, "hub", "hub-secret"), Replicas: 3})
	truck, err := broker.Open(ctx, broker.Options{URL: clusterURL(addresses, "TM-01", "truck-secret"), Join: true, Replicas: 3})
	if err != nil {
		t.Fatal(err)
	}
	defer closeBroker(t, truck)
	if _, err := truck.Publish(ctx, []broker.Message{{Subject: "truck.TM-01", Body: []byte("1")}, {Subject: "truck.TM-01", Body: []byte("2")}}); err != nil {
		t.Fatalf("a truck can not hand over its events: %v", err)
	}
	refused(ctx, t, "publish as another truck", func(ctx context.Context) error {
		_, err := truck.Publish(ctx, []broker.Message{{Subject: "truck.TM-02", Body: []byte("x")}})
		return err
	})
	refused(ctx, t, "read events", func(ctx context.Context) error {
		_, err := truck.Consume(ctx, broker.ConsumeOptions{})
		return err
	})
	refused(ctx, t, "read the receipts of another truck", func(ctx context.Context) error {
		_, err := truck.Receipts(ctx, broker.ReceiptOptions{Source: "truck.TM-02"}, func(broker.Receipt) {})
		return err
	})
	got := make(chan broker.Receipt, 2)
	stop, err := truck.Receipts(ctx, broker.ReceiptOptions{Source: "truck.TM-01"}, func(r broker.Receipt) { got <- r })
	if err != nil {
		t.Fatalf("a truck can not read its receipts: %v", err)
	}
	defer stop()
	if err := hub.PublishReceipt(ctx, "truck.TM-01", []byte("recorded")); err != nil {
		t.Fatal(err)
	}
	select {
	case r := <-got:
		if r.Source != "truck.TM-01" || string(r.Body) != "recorded" {
			t.Errorf("the receipt is %+v", r)
		}
	case <-ctx.Done():
		t.Fatal("no receipt came")
	}
	state, err := hub.StreamState(ctx)
	if err != nil || state.Msgs != 2 {
		t.Errorf("the stream holds %d messages, %v", state.Msgs, err)
	}
}

// refused checks that a truck can not do something. A server answers nothing to
// what is not permitted, so the time for an answer ends.
func refused(ctx context.Context, t *testing.T, what string, try func(context.Context) error) {
	t.Helper()
	short, cancel := context.WithTimeout(ctx, 1500*time.Millisecond)
	defer cancel()
	if err := try(short); err == nil {
		t.Errorf("a truck can %s", what)
	}
}

// openWhenReady opens a broker as soon as its servers have found each other.
func openWhenReady(ctx context.Context, t *testing.T, o broker.Options) *broker.Broker {
	t.Helper()
	for {
		b, err := broker.Open(ctx, o)
		if err == nil {
			t.Cleanup(func() { closeBroker(t, b) })
			return b
		}
		if ctx.Err() != nil {
			t.Fatal(err)
		}
	}
}

func closeBroker(t *testing.T, b *broker.Broker) {
	t.Helper()
	if err := b.Close(context.WithoutCancel(t.Context())); err != nil {
		t.Error(err)
	}
}
