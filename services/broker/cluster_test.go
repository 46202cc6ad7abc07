package broker

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// newCluster starts three servers that replicate between them, and returns them with the URL of all.
func newCluster(t *testing.T) ([]*external, string) {
	t.Helper()
	var routes []*url.URL
	var ports []int
	for range 3 {
		free, err := net.Listen("tcp", "127.0.0.1:0")
		must(t, err)
		ports = append(ports, free.Addr().(*net.TCPAddr).Port)
		routes = append(routes, &url.URL{Scheme: "nats", Host: free.Addr().String()})
		must(t, free.Close())
	}
	var nodes []*external
	var urls []string
	for i := range 3 {
		d := newExternal(t, func(o *server.Options) {
			o.ServerName = fmt.Sprintf("node-%d", i)
			o.Cluster = server.ClusterOpts{Name: "yard", Host: "127.0.0.1", Port: ports[i]}
			o.Routes = routes
		})
		nodes = append(nodes, d)
		urls = append(urls, d.url)
	}
	return nodes, strings.Join(urls, ",")
}

// Three copies of everything: one server of three goes away, the one that leads the events stream, and nothing is lost or out of place.
func TestClusterOfThree(t *testing.T) {
	t.Parallel()
	nodes, urls := newCluster(t)
	var b *Broker
	eventually(t, "a cluster that can create streams", func() bool {
		var err error
		b, err = Open(t.Context(), Options{URL: urls, Replicas: 3, MaxStoreBytes: 1 << 30, ConnectTimeout: 5 * time.Second})
		return err == nil
	})
	t.Cleanup(func() { b.nc.Close() })
	publish(t, b, numbered(0, 2500))
	c := consume(t, b, ConsumeOptions{})
	fetch(t, c, 0, 2000)
	must(t, c.Ack(t.Context(), 1500))
	lease := mustLease(t, b, "hub", 10*time.Second)

	s, err := b.js.Stream(t.Context(), EventsStream)
	must(t, err)
	info := s.CachedInfo()
	if info.Config.Replicas != 3 || info.Cluster == nil {
		t.Fatalf("stream has %d replicas, cluster %+v", info.Config.Replicas, info.Cluster)
	}
	for _, node := range nodes {
		if node.options.ServerName == info.Cluster.Leader {
			node.stop()
		}
	}
	stored := 2500
	eventually(t, "publishing to the two that are left", func() bool {
		acks, err := b.Publish(t.Context(), numbered(stored, 1500))
		for _, a := range acks {
			// A batch that timed out and was stored all the same would come twice here; bodies tell it.
			m, err := b.Message(t.Context(), a.StreamSeq)
			must(t, err)
			if want := fmt.Sprint(stored); string(m.Body) != want {
				t.Fatalf("sequence %d holds %s, was acknowledged for %s", a.StreamSeq, m.Body, want)
			}
			stored++
		}
		return err == nil
	})
	last := -1
	for begun := time.Now(); last < stored-1; {
		got, err := c.Fetch(t.Context(), 1000, 500*time.Millisecond)
		if err != nil && !errors.Is(err, ErrUnavailable) {
			t.Fatal(err)
		}
		for _, d := range got {
			var n int
			if _, err := fmt.Sscan(string(d.Body), &n); err != nil || n > max(last, 1999)+1 {
				t.Fatalf("message %q follows %d at sequence %d", d.Body, last, d.StreamSeq)
			}
			last = max(last, n)
		}
		if time.Since(begun) > 2*patience {
			t.Fatalf("only %d of %d messages arrived", last+1, stored)
		}
	}
	if !lease.Valid() {
		t.Error("the lease was lost with one server of three")
	}
}
