package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"syscall"

	"spoilbook/cmd/faults/internal/process"
	"spoilbook/cmd/internal/engineserver"
	"spoilbook/services/engine"
)

// programs are what the rounds run, and what these see of their surroundings.
type programs struct {
	spoilbook, natsServer string
	self                  string // this program, which can also serve an engine
	env                   []string
	check                 string // the command that looks for damage in a data folder
}

// buildPrograms builds spoilbook and the NATS server from this module into a folder.
func buildPrograms(ctx context.Context, dir string) (*programs, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	p := &programs{spoilbook: filepath.Join(dir, "spoilbook"), natsServer: filepath.Join(dir, "nats-server"), self: self}
	for out, source := range map[string]string{p.spoilbook: "spoilbook/cmd/spoilbook", p.natsServer: "github.com/nats-io/nats-server/v2"} {
		if printed, err := exec.CommandContext(ctx, "go", "build", "-o", out, source).CombinedOutput(); err != nil {
			return nil, fmt.Errorf("go build %s: %w: %s", source, err, printed)
		}
	}
	library, err := engine.Fetch(ctx, engine.FetchOptions{CacheDir: os.Getenv("SPOILBOOK_ENGINE_CACHE")})
	if err != nil {
		return nil, err
	}
	p.env = []string{"PATH=" + os.Getenv("PATH"), "HOME=/nowhere", "TMPDIR=" + dir, "SPOILBOOK_ENGINE_CACHE=" + filepath.Dir(filepath.Dir(library))}
	_, printed, err := process.Run(p.spoilbook, []string{"--help"}, process.Options{Env: p.env})
	if err != nil {
		return nil, err
	}
	if p.check = "rebuild"; regexp.MustCompile(`(?m)^  check\s`).MatchString(printed) {
		p.check = "check"
	}
	return p, nil
}

// standName is the first argument that turns this program into a ClickHouse server.
const standName = "engine-stand"

// stand serves an engine in a folder at a loopback address until it is told to
// stop, as a ClickHouse server of its own.
func stand(dir, address string) error {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	return engineserver.Run(ctx, dir, address)
}
