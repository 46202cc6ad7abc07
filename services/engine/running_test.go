package engine_test

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"testing"

	"spoilbook/services/engine"
)

// A caller that goes away just when its statement begins, or before, gets an error
// and takes nothing with it.
func TestCallersThatAreGone(t *testing.T) {
	e := open(t, engine.Options{Dir: t.TempDir()})
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	for i := range 400 {
		ctx := gone
		if i%2 == 0 {
			var leave func()
			ctx, leave = context.WithCancel(t.Context())
			go leave()
		}
		req, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://engine/?default_format=TabSeparated", strings.NewReader("SELECT count() FROM numbers(1000)"))
		if err != nil {
			t.Fatal(err)
		}
		res, err := e.Transport().RoundTrip(req)
		switch {
		case err == nil:
			res.Body.Close()
		case !errors.Is(err, context.Canceled):
			t.Fatalf("caller %d: %v", i, err)
		}
	}
	if n := count(t, connect(t, e), "SELECT count() FROM numbers(7)"); n != 7 {
		t.Errorf("afterwards 7 numbers are %d", n)
	}
}
