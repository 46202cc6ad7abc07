// Package engineserver serves the engine as a ClickHouse server of its own over HTTP,
// for those who try the program against one. A process that was given a folder and a
// loopback address calls
//
//	err := engineserver.Run(ctx, dir, "127.0.0.1:0") // prints "stand at ADDRESS" and serves until ctx ends
package engineserver

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"

	"spoilbook/services/engine"
)

// Run serves the engine of a folder at an address until ctx ends.
func Run(ctx context.Context, dir, address string) error {
	library, err := engine.Fetch(ctx, engine.FetchOptions{CacheDir: os.Getenv("SPOILBOOK_ENGINE_CACHE")})
	if err != nil {
		return err
	}
	e, err := engine.Open(ctx, engine.Options{Dir: dir, Library: library})
	if err != nil {
		return err
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return errors.Join(err, e.Close())
	}
	s := &http.Server{Handler: e.Handler(engine.HandlerOptions{})}
	context.AfterFunc(ctx, func() { _ = s.Close() }) // Serve then returns
	fmt.Printf("stand at %s\n", l.Addr())
	if err := s.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return errors.Join(err, e.Close())
	}
	return e.Close()
}
