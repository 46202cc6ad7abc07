package main

import (
	"io"
	"net"
	"sync"
)

// link passes bytes between one server and another until it is cut. One that is cut
// refuses and ends connections, until it is mended.
type link struct {
	address  string
	to       string
	listener net.Listener

	mu    sync.Mutex
	isCut bool
	open  map[net.Conn]bool
}

func newLink(to string) (*link, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	k := &link{address: l.Addr().String(), to: to, listener: l, open: map[net.Conn]bool{}}
	go k.accept()
	return k, nil
}

func (k *link) accept() {
	for {
		from, err := k.listener.Accept()
		if err != nil {
			return // closed
		}
		to, err := net.Dial("tcp", k.to)
		if err != nil || !k.keep(from, to) {
			from.Close()
			if to != nil {
				to.Close()
			}
			continue
		}
		go k.pass(from, to)
		go k.pass(to, from)
	}
}

// keep takes a pair of connections in, unless the link is cut.
func (k *link) keep(pair ...net.Conn) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, c := range pair {
		k.open[c] = !k.isCut
	}
	return !k.isCut
}

// pass copies one way; when either end closes, both are closed.
func (k *link) pass(from, to net.Conn) {
	_, _ = io.Copy(to, from) // however it ended, the pair is over
	from.Close()
	to.Close()
	k.mu.Lock()
	defer k.mu.Unlock()
	delete(k.open, from)
	delete(k.open, to)
}

// cut ends all connections and lets no new one through.
func (k *link) cut() {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.isCut = true
	for c := range k.open {
		c.Close()
	}
}

// mend lets connections through again.
func (k *link) mend() {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.isCut = false
}

func (k *link) close() {
	k.listener.Close()
	k.cut()
}
