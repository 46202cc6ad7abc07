package sim

import (
	"os"
	"strconv"
	"strings"
	"testing"
)

func TestOne(t *testing.T) {
	n, _ := strconv.ParseUint(os.Getenv("SEED"), 10, 64)
	r := Run(n, Options{})
	t.Log(r.First, "\n", strings.Join(r.Tail, "\n"))
}
