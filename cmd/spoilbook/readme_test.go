package main

import (
	"errors"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"spoilbook/services/ledger"
)

// documents are the texts that tell people what to type.
func documents() []string {
	return []string{"README.md", "DEVELOPERS.md", "deploy/runbook.md", "deploy/spoilbook.service", "deploy/compose.yaml"}
}

func readDocument(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(projectRoot, name))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// Every spoilbook command line in the documents is one that this program takes:
// its commands and flags exist, flags have values of their types, and arguments
// are as many as they must be.
func TestDocumentedCommands(t *testing.T) {
	for _, name := range documents() {
		t.Run(name, func(t *testing.T) {
			text := readDocument(t, name)
			lines := commandLines(text)
			if len(lines) == 0 && name != "DEVELOPERS.md" {
				t.Fatal("it shows no spoilbook command")
			}
			for _, line := range lines {
				if err := understood(line); err != nil {
					t.Errorf("spoilbook %s: %v", strings.Join(line, " "), err)
				}
			}
			for _, span := range regexp.MustCompile("`spoilbook ([^`]+)`").FindAllStringSubmatch(fence.ReplaceAllString(text, ""), -1) {
				if err := exists(words(span[1])); err != nil {
					t.Errorf("`spoilbook %s`: %v", span[1], err)
				}
			}
		})
	}
}

// fence matches a block of shell lines in a document.
var fence = regexp.MustCompile("(?ms)^```(?:sh|shell|bash|console)\\b[^\n]*\n(.*?)^```")

// commandLines returns the arguments of every spoilbook command in a document's
// shell blocks, or in the start line of a service.
func commandLines(text string) [][]string {
	var lines [][]string
	for _, block := range fence.FindAllStringSubmatch(text, -1) {
		for line := range strings.Lines(strings.ReplaceAll(block[1], "\\\n", " ")) {
			for _, part := range separator.Split(line, -1) {
				if args, ok := arguments(words(part)); ok {
					lines = append(lines, args)
				}
			}
		}
	}
	if start := regexp.MustCompile(`(?m)^ExecStart=(.*)$`).FindStringSubmatch(text); start != nil {
		if args, ok := arguments(words(start[1])); ok {
			lines = append(lines, args)
		}
	}
	if start := regexp.MustCompile(`(?m)command: \[(.*spoilbook.*)\]$`).FindStringSubmatch(text); start != nil {
		if args, ok := arguments(words(strings.ReplaceAll(start[1], ",", " "))); ok {
			lines = append(lines, args)
		}
	}
	return lines
}

// separator stands between the commands of one line. The documents quote none of
// these.
var separator = regexp.MustCompile(`\|\|?|&&?|;|\$\(|\)`)

// words splits a line at spaces outside of double and single quotes and stops at a
// remark or a redirection.
func words(line string) []string {
	var all []string
	for _, m := range regexp.MustCompile(`(?:"[^"]*"|'[^']*'|[^\s"'])+`).FindAllString(line, -1) {
		if regexp.MustCompile(`^(#|\d?[<>])`).MatchString(m) {
			break
		}
		all = append(all, regexp.MustCompile(`["']`).ReplaceAllString(m, ""))
	}
	return all
}

// arguments returns what follows the program's name when the words run it.
func arguments(line []string) ([]string, bool) {
	for len(line) > 0 && (line[0] == "$" || line[0] == "sudo" || line[0] == "time" || regexp.MustCompile(`^\w+=`).MatchString(line[0])) {
		line = line[1:]
	}
	if len(line) > 2 && line[0] == "go" && line[1] == "run" {
		line = line[2:]
	}
	if len(line) == 0 || path.Base(line[0]) != "spoilbook" {
		return nil, false
	}
	return line[1:], true
}

// understood reads a command line as the program would, without running it.
func understood(args []string) error {
	c, rest, err := rootCommand().Find(args)
	if err != nil {
		return err
	}
	c.InitDefaultHelpFlag()
	if err := c.ParseFlags(rest); err != nil {
		return err
	}
	given := c.Flags().Args()
	if help := c.Flags().Lookup("help"); help.Changed {
		return nil
	}
	if !c.Runnable() {
		return fmt.Errorf("%s has no command %q", c.CommandPath(), given)
	}
	if c.Name() == "report" && len(given) == 1 && !slices.Contains(ledger.ReportNames(), given[0]) {
		return fmt.Errorf("there is no report %q", given[0])
	}
	return errors.Join(c.ValidateArgs(given), c.ValidateRequiredFlags())
}

// exists checks a mention in running text, which may leave things out: the
// commands it names and the flags it shows exist.
func exists(mention []string) error {
	c := rootCommand()
	for _, word := range mention {
		if name, ok := strings.CutPrefix(word, "--"); ok {
			c.InitDefaultHelpFlag()
			if name, _, _ = strings.Cut(name, "="); c.Flags().Lookup(name) == nil {
				return fmt.Errorf("%s has no flag --%s", c.CommandPath(), name)
			}
			continue
		}
		next := slices.IndexFunc(c.Commands(), func(sub *cobra.Command) bool { return sub.Name() == word })
		switch {
		case next >= 0:
			c = c.Commands()[next]
		case c.HasSubCommands() && word != "…" && word != "...":
			return fmt.Errorf("%s has no command %s", c.CommandPath(), word)
		}
	}
	return nil
}

// Links and pictures of the documents lead to files of the project.
func TestDocumentLinks(t *testing.T) {
	link := regexp.MustCompile(`\]\(([^)#\s]+)[^)]*\)`)
	for _, name := range []string{"README.md", "DEVELOPERS.md", "deploy/runbook.md"} {
		for _, m := range link.FindAllStringSubmatch(readDocument(t, name), -1) {
			if strings.Contains(m[1], "://") {
				continue
			}
			if _, err := os.Stat(filepath.Join(projectRoot, filepath.Dir(name), m[1])); err != nil {
				t.Errorf("%s links to %s, which does not exist", name, m[1])
			}
		}
	}
}

// TestDocumentedCommands must refuse what the program does not take.
func TestDocumentedCommandsAreReallyRead(t *testing.T) {
	good := "```sh\n$ ./spoilbook events --limit 3 | head  # the first three\nA=b go run ./cmd/spoilbook report water --from 2026-10-01 \\\n  --to 2026-10-31 --tz Europe/Dublin -o 'a b.xlsx' > /dev/null && spoilbook version\n```\n"
	lines := commandLines(good)
	want := []string{"events --limit 3", "report water --from 2026-10-01 --to 2026-10-31 --tz Europe/Dublin -o a b.xlsx", "version"}
	if len(lines) != len(want) {
		t.Fatalf("found %q", lines)
	}
	for i, line := range lines {
		if err := understood(line); err != nil || strings.Join(line, " ") != want[i] {
			t.Errorf("%q: %v", line, err)
		}
	}
	for _, bad := range []string{"evnts", "events --limt 3", "events --limit many", "events --limit", "report water", "emit", "quarantine lst",
		"report weather --from 2026-10-01 --to 2026-10-31 --tz Europe/Dublin", "quarantine release 3"} {
		if err := understood(words(bad)); err == nil {
			t.Errorf("spoilbook %s was taken for a command", bad)
		}
	}
	for _, bad := range []string{"evnts", "events --limt", "quarantine lst"} {
		if err := exists(words(bad)); err == nil {
			t.Errorf("`spoilbook %s` was taken for a command", bad)
		}
	}
}
