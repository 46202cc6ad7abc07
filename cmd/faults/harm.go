package main

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
)

// harm does something to the files of a stopped ledger's store or broker, and says
// what it did. older is the folder as it was some time before.
type harm func(rng *rand.Rand, folder, older string) (what string, err error)

// flipByte changes one byte of a file.
func flipByte(rng *rand.Rand, folder, _ string) (string, error) {
	return onFile(rng, folder, func(b []byte) ([]byte, string) {
		at := rng.IntN(len(b))
		b[at] ^= byte(1 + rng.IntN(255))
		return b, fmt.Sprintf("byte %d of %d changed", at, len(b))
	})
}

// cutShort takes the end of a file away.
func cutShort(rng *rand.Rand, folder, _ string) (string, error) {
	return onFile(rng, folder, func(b []byte) ([]byte, string) {
		n := rng.IntN(len(b))
		return b[:n], fmt.Sprintf("%d of %d bytes left", n, len(b))
	})
}

// onFile replaces the content of a file that is not empty.
func onFile(rng *rand.Rand, folder string, change func([]byte) ([]byte, string)) (string, error) {
	name, err := choose(rng, folder, func(e fs.DirEntry) bool {
		info, err := e.Info()
		return err == nil && e.Type().IsRegular() && info.Size() > 0
	})
	if err != nil {
		return "", err
	}
	path := filepath.Join(folder, name)
	content, err := os.ReadFile(path)
	if err != nil {
		return "", err
	}
	content, what := change(content)
	return name + ": " + what, os.WriteFile(path, content, 0o600)
}

// deleteFile removes a file.
func deleteFile(rng *rand.Rand, folder, _ string) (string, error) {
	name, err := choose(rng, folder, func(e fs.DirEntry) bool { return !e.IsDir() })
	if err != nil {
		return "", err
	}
	return name + ": file deleted", os.Remove(filepath.Join(folder, name))
}

// deleteFolder removes a folder with all that is in it, the whole store or broker
// among them.
func deleteFolder(rng *rand.Rand, folder, _ string) (string, error) {
	name, err := choose(rng, folder, fs.DirEntry.IsDir)
	if err != nil {
		return "", err
	}
	return name + ": folder deleted", os.RemoveAll(filepath.Join(folder, name))
}

// putBack replaces everything by what was there before.
func putBack(_ *rand.Rand, folder, older string) (string, error) {
	if err := os.RemoveAll(folder); err != nil {
		return "", err
	}
	return ".: older copy put back", copyTree(folder, older)
}

// choose draws a kind of file and then one of that kind, so that rare kinds come
// as often as common ones. The name is relative to the folder.
func choose(rng *rand.Rand, folder string, takes func(fs.DirEntry) bool) (string, error) {
	kinds := map[string][]string{}
	err := filepath.WalkDir(folder, func(path string, e fs.DirEntry, err error) error {
		if err != nil || !takes(e) {
			return err
		}
		name, err := filepath.Rel(folder, path)
		kinds[kindOf(name)] = append(kinds[kindOf(name)], name)
		return err
	})
	if err != nil {
		return "", err
	}
	if len(kinds) == 0 {
		return "", errors.New("there is nothing to harm in " + folder)
	}
	names := slices.Sorted(maps.Keys(kinds))
	of := kinds[names[rng.IntN(len(names))]]
	if rng.IntN(2) == 0 {
		return largest(folder, of), nil // most likely in use, and not left over
	}
	return of[rng.IntN(len(of))], nil
}

// largest returns the largest of some files; one that can not be looked at has no
// size.
func largest(folder string, names []string) string {
	size := func(name string) int64 {
		info, err := os.Stat(filepath.Join(folder, name))
		if err != nil {
			return 0
		}
		return info.Size()
	}
	return slices.MaxFunc(names, func(a, b string) int { return cmp.Compare(size(a), size(b)) })
}

// kindOf names the kind of a file by its path, without what differs between two of
// the same kind: numbers, identifiers, names of parts.
func kindOf(name string) string {
	name = regexp.MustCompile(`[0-9a-f]{3}/[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}`).ReplaceAllString(name, "ID")
	name = regexp.MustCompile(`\b\w+?(_\d+){3,4}(/|$)`).ReplaceAllString(name, "PART$2")
	return regexp.MustCompile(`[0-9]+`).ReplaceAllString(name, "N")
}
