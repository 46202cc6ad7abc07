package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"spoilbook/cmd/faults/internal/fleet"
)

// smallDisk is the size of the file system that gets full. The embedded broker
// refuses events while less than 64 MiB of it are free.
const smallDisk = "160m"

// diskFull is a round on a small file system in memory that is full for a while,
// twice. It needs the right to mount one.
func (st *stage) diskFull(ctx context.Context, name string, seed uint64) (outcome, error) {
	dir, err := os.MkdirTemp(st.dir, "small-")
	if err != nil {
		return outcome{}, err
	}
	defer os.RemoveAll(dir)
	unmount, err := mountSmall(dir, smallDisk)
	if err != nil {
		return outcome{}, fmt.Errorf("mount a small file system: %w; run this as root, or as unshare --map-root-user --mount go run ./cmd/faults", err)
	}
	defer func() { err = errors.Join(err, unmount()) }()
	return st.inPeril(ctx, play{seed: seed, layout: together, dir: dir, faults: filledUp(dice(seed, name), dir)})
}

// filledUp takes all the room there is, and gives it back a little later. Some
// times the hub is killed meanwhile.
func filledUp(rng *rand.Rand, dir string) strikes {
	return func(ctx context.Context, s *site, f *fleet.Fleet) (times int, err error) {
		for i := range 2 {
			at := (float64(i) + rng.Float64()) / 2 * 0.9 * float64(f.Total())
			if err := f.Await(ctx, int(at)); err != nil {
				return times, err
			}
			ballast, err := fillUp(dir)
			if err != nil {
				return times, err
			}
			times++
			if rng.IntN(3) == 0 {
				if _, err := killed(ctx, rng, s.part(hub)); err != nil {
					return times, err
				}
			}
			if err := errors.Join(rested(ctx, 300*time.Millisecond+millis(rng, 1500)), os.Remove(ballast)); err != nil {
				return times, err
			}
		}
		return times, nil
	}
}

// fillUp writes a file until the file system has no room for more.
func fillUp(dir string) (ballast string, err error) {
	f, err := os.Create(filepath.Join(dir, "ballast"))
	if err != nil {
		return "", err
	}
	block := make([]byte, 1<<16)
	for len(block) > 0 {
		if _, err = f.Write(block); err != nil {
			block = block[:len(block)/2] // to the last byte
		}
	}
	if !errors.Is(err, syscall.ENOSPC) {
		return "", errors.Join(err, f.Close())
	}
	return f.Name(), f.Close()
}
