package demo

import (
	"embed"
	"fmt"
)

// RawMessage is a body that a truck published and that cannot become an event of
// the ledger.
type RawMessage struct {
	Source string // who published it, such as "/truck/TM-02"
	Body   []byte
	Note   string // what is wrong with it
}

//go:embed raw/*.json
var rawBodies embed.FS

// Raw returns the bodies that belong in quarantine. They are to be published
// after the month's batches: the last one contradicts an event that came before.
func Raw() []RawMessage {
	list := []RawMessage{
		{Source: "/truck/TM-02", Note: "litres where millilitres belong, from a controller before its update; sent again properly under the same number"},
		{Source: "/truck/TM-01", Note: "cut off in the middle; sent again whole"},
		{Source: "/truck/TM-03", Note: "a number that was used before, with another content: a computer restored from an old copy counts again from 1"},
	}
	for i, name := range []string{"wrong-unit.json", "cut.json", "conflict.json"} {
		body, err := rawBodies.ReadFile("raw/" + name)
		if err != nil {
			panic(fmt.Sprintf("demo: the raw bodies are not in the program: %v", err))
		}
		list[i].Body = body
	}
	return list
}
