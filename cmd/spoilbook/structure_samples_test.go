package main

import (
	"fmt"
	"strings"
	"testing"
)

// soundProject is a small project in which nothing is wrong.
func soundProject() map[string]string {
	doc := "// Package p is here to be checked.\n" + strings.Repeat("// It says what it is, and gives an example.\n", 6)
	pkg := func(name, body string) string { return doc + "package " + name + "\n\n" + body }
	return map[string]string{
		"go.mod":                          "module spoilbook\n\nrequire (\n\tgithub.com/gin-gonic/gin v1\n\tgithub.com/xuri/excelize/v2 v2\n\tgithub.com/nats-io/nats.go v1\n\tgithub.com/ClickHouse/clickhouse-go/v2 v2\n)\n",
		"DEVELOPERS.md":                   "`github.com/gin-gonic/gin` `github.com/xuri/excelize/v2` `github.com/nats-io/nats.go` `github.com/ClickHouse/clickhouse-go/v2`\n| `events` |\n| `reports/water` |\n| `services/api` |\n| `services/sheets` |\n| `services/broker` |\n| `services/store` |\n",
		"events/events.go":                pkg("events", "import \"time\"\n\n// Time is a time.\ntype Time struct{ T time.Time }\n\n// The kinds.\nconst (\n\tKindA = 1\n)\n"),
		"reports/water/water.go":          pkg("water", "import (\n\t\"spoilbook/events\"\n\t\"time\"\n)\n\n// Zones finds zones.\nvar Zones = time.LoadLocation\n\n// Sum sums.\nfunc Sum(events.Time) {}\n"),
		"services/api/api.go":             pkg("api", "import _ \"github.com/gin-gonic/gin\"\n"),
		"services/sheets/sheets.go":       pkg("sheets", "import _ \"github.com/xuri/excelize/v2\"\n"),
		"services/broker/broker.go":       pkg("broker", "import _ \"github.com/nats-io/nats.go/jetstream\"\n"),
		"services/store/store.go":         pkg("store", "import _ \"github.com/ClickHouse/clickhouse-go/v2\"\n"),
		"services/node/package-lock.json": `{"packages": {"": {}, "node_modules/a": {"version": "1.0.0", "integrity": "sha512-x"}}}`,
	}
}

func sample(files map[string]string) *tree {
	all := map[string][]byte{}
	for name, text := range files {
		all[name] = []byte(text)
	}
	return newTree(all)
}

func TestChecksPassASoundProject(t *testing.T) {
	tr := sample(soundProject())
	for _, c := range checks() {
		if wrong := c.run(tr); len(wrong) > 0 {
			t.Errorf("%s: %q", c.name, wrong)
		}
	}
}

// Each check must find what it is for: one thing is made wrong in a sound project.
func TestChecksFindWhatIsWrong(t *testing.T) {
	const skip = "t.Sk" + "ip()"
	for _, c := range []struct{ check, file, from, to string }{
		{"imports point one way", "events/events.go", `import "time"`, "import (\n\t\"time\"\n\t_ \"spoilbook/services/store\"\n)"},
		{"imports point one way", "reports/water/water.go", "package water", "package"},
		{"events and reports are pure", "events/events.go", `import "time"`, "import (\n\t\"time\"\n\t_ \"net/http\"\n)"},
		{"events and reports are pure", "events/events.go", "T time.Time }", "T time.Time }\n\nvar now = time.Now\n"},
		{"events and reports are pure", "reports/water/water.go", "func Sum(events.Time) {}", "func Sum(events.Time) { _, _ = time.LoadLocation(\"UTC\") }"},
		{"adapters do not know each other", "services/api/api.go", "import _", "import _ \"spoilbook/services/store\"\nimport _"},
		{"libraries have one home", "services/store/store.go", "import _", "import _ \"github.com/nats-io/nats.go\"\nimport _"},
		{"libraries have one home", "services/api/api.go", "gin-gonic/gin", "gin-gonic/gin2"},
		{"packages are specified", "events/events.go", strings.Repeat("// It says what it is, and gives an example.\n", 6), ""},
		{"functions and files are short", "events/events.go", "T time.Time }", "T time.Time }\n\nfunc long() {" + strings.Repeat("\n", maxFunctionLines) + "}\n"},
		{"functions and files are short", "events/events.go", "T time.Time }", "T time.Time }\n" + strings.Repeat("\n", maxFileLines)},
		{"nothing is skipped or left to do", "services/api/api_test.go", "", "package api\n\nfunc f(t *testing.T) { " + skip + " }\n"},
		{"nothing is skipped or left to do", "deploy/runbook.md", "", "TO" + "DO: write this\n"},
		{"exported names are documented", "reports/water/water.go", "// Sum sums.", "// Adds."},
		{"exported names are documented", "events/events.go", "// Time is a time.", ""},
		{"exported names are documented", "events/events.go", "// The kinds.", ""},
		{"top level", "scripts/build.sh", "", "exit 0\n"},
		{"machine names", "deploy/notes.md", "", "see /ho" + "me/somebody/ledger\n"},
		{"machine names", "deploy/notes.md", "", "https://registry.npm" + "js.org/left\n"},
		{"lock files name no registry", "services/node/package-lock.json", `"version"`, `"resolved": "x", "version"`},
		{"lock files name no registry", "services/node/package-lock.json", `, "integrity": "sha512-x"`, ""},
		{"adapters do not know each other", "reports/water/water.go", "import (", "import (\n\t_ \"spoilbook/reports/naive\""},
		{"packages are listed", "DEVELOPERS.md", "| `services/api` |", ""},
		{"packages are listed", "DEVELOPERS.md", "| `services/api` |", "| `services/api` |\n| `services/gone` |"},
		{"dependencies have a reason", "DEVELOPERS.md", "`github.com/gin-gonic/gin`", ""},
	} {
		t.Run(fmt.Sprintf("%s in %s", c.check, c.file), func(t *testing.T) {
			files := soundProject()
			if !strings.Contains(files[c.file], c.from) {
				t.Fatalf("%s does not hold %q", c.file, c.from)
			}
			files[c.file] = strings.Replace(files[c.file], c.from, c.to, 1)
			tr := sample(files)
			for _, other := range checks() {
				if other.name == c.check && len(other.run(tr)) == 0 {
					t.Error("the check finds nothing wrong")
				}
			}
		})
	}
}
