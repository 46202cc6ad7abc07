package api

import (
	"encoding/json"
	"strings"

	"github.com/danielgtaylor/huma/v2"
)

// exampleEvent is an event that every ledger takes: of an office, so that no truck
// need be in the register. It voids an entry that is not there yet, which is a
// finding and no reason to refuse it.
func exampleEvent(id string, seq int) map[string]any {
	return map[string]any{
		"specversion": "1.0", "id": id, "source": "/office/example-desk", "type": "spoilbook.entry.voided",
		"datacontenttype": "application/json", "dataschema": "urn:spoilbook:entry.voided:1",
		"time": "2026-10-05T16:30:00.000+01:00", "seq": seq, "origin": "office",
		"data": map[string]any{"refers": map[string]any{"source": "/truck/TM-01", "id": "TM-01-000022"}, "author": "Yard office", "reason": "entered twice"},
	}
}

func exampleLines() string {
	var b strings.Builder
	for i, id := range []string{"example-1", "example-2"} {
		line, err := json.Marshal(exampleEvent(id, i+1))
		if err != nil {
			panic(err) // it holds texts and numbers
		}
		b.Write(line)
		b.WriteByte('\n')
	}
	return b.String()
}

func exampleReceived() map[string]any {
	return map[string]any{"state": "received", "count": 1, "stream": "SPOILBOOK_EVENTS@1791000000000", "first": 1, "last": 1,
		"recorded": 0, "duplicates": 0, "quarantined": 0, "position": 0}
}

func exampleSubmitted() map[string]any {
	return map[string]any{"state": "recorded", "count": 1, "stream": "SPOILBOOK_EVENTS@1791000000000", "first": 1, "last": 1,
		"recorded": 1, "duplicates": 0, "quarantined": 0, "position": 1}
}

func exampleExplanation() map[string]any {
	return map[string]any{"report": "timesplit", "table": "Slices", "line": "TM-01/2026-10-05T05:00:00.000Z",
		"says":     "From 2026-10-05 06:00 to 2026-10-05 06:40, 0 h 40 min, the time of TM-01 is travel, for job J-1.",
		"register": []any{map[string]any{"register": "truck", "key": "TM-01", "from": "2026-09-01T00:00:00.000+01:00", "position": 1, "reads": "Heron, 261-TR-101"}},
		"rules":    []any{map[string]any{"rule": "Time between a departure and the next arrival is travel.", "source": "common practice"}},
		"steps":    []any{map[string]any{"what": "length of the slice, in min", "arithmetic": "40 − 0", "result": "40 min", "events": []any{2, 3}}},
		"events":   []any{2, 3}}
}

// describeExamples adds examples of answers and of the other request bodies.
func describeExamples(d *huma.OpenAPI) {
	const hash = "8f434346648f6b96df89dda901c5176b10a6d83961dd3c1ac88b59b2dc327aa4"
	at := "2026-10-05T15:30:02.125Z"
	event := map[string]any{"position": 1, "recorded": at, "hash": hash, "event": exampleEvent("example-1", 1)}
	entry := map[string]any{"entry": 1, "received": at, "stream": "SPOILBOOK_EVENTS@1791000000000", "streamSeq": 7, "subject": "office.unreadable",
		"state": "held", "code": "invalid", "reason": "event: found text that ends early; allowed: one JSON object", "body": "eyJzcGVjdmVyc2lvbiI6", "text": `{"specversion":`}
	set := func(path, status string, example any) {
		for _, op := range operations(d.Paths[path]) {
			if r := op.Responses[status]; r != nil && r.Content["application/json"] != nil && r.Content["application/json"].Example == nil {
				r.Content["application/json"].Example = example
			}
		}
	}
	for _, op := range operations(d.Paths["/v1/events"]) {
		if op.OperationID == "list-events" {
			op.Responses["200"].Content["application/json"].Example = map[string]any{"events": []any{event}, "next": 1}
		}
	}
	set("/v1/events/{position}", "200", event)
	set("/v1/sources", "200", map[string]any{"sources": []any{exampleSource()}})
	set("/v1/fates", "200", map[string]any{"recorded": 1, "duplicates": 0, "quarantined": 0, "position": 1})
	set("/v1/head", "200", map[string]any{"position": 1, "rootPosition": 1, "root": hash, "at": at})
	set("/v1/reports", "200", map[string]any{"reports": []any{"water"}, "formats": []any{"json"}})
	set("/v1/reports/{name}/lines", "200", map[string]any{"lines": []any{map[string]any{"table": "Slices", "key": "TM-01/2026-10-05T05:00:00.000Z", "shows": "TM-01, travel, J-1"}}})
	set("/v1/reports/{name}/explain", "200", exampleExplanation())
	issued := map[string]any{"report": "billable", "number": "INV-1", "from": "2026-10-01T00:00:00.000+01:00", "to": "2026-11-01T00:00:00.000+00:00", "timeZone": "Europe/Dublin",
		"position": 1, "digestSHA256": hash, "author": "Yard office", "at": at, "eventPosition": 2}
	for _, op := range operations(d.Paths["/v1/issued"]) {
		example := issued
		if op.OperationID == "list-issued" {
			example = map[string]any{"issued": []any{issued}}
		}
		op.Responses["200"].Content["application/json"].Example = example
	}
	set("/v1/quarantine", "200", map[string]any{"entries": []any{entry}, "next": 1})
	set("/v1/quarantine/{entry}", "200", entry)
	set("/v1/quarantine/{entry}/release", "200", map[string]any{"recorded": 1, "duplicates": 0, "quarantined": 0, "position": 2})
	set("/v1/rebuild", "200", map[string]any{"events": 1, "blocks": 1, "root": hash})
	set("/health/live", "200", map[string]any{"status": "live", "version": d.Info.Version})
	set("/health/ready", "200", map[string]any{"status": "ready", "version": d.Info.Version})
	describePeople(d, set)
	set("/v1/yard", "200", map[string]any{"at": at, "position": 12, "trucks": []any{map[string]any{"truck": "TM-01", "name": "Heron", "where": "at-site", "whereSince": at, "job": "J-1",
		"shiftSince": at, "doing": "on-site", "doingSince": at, "debrisTank": map[string]any{"volumeML": 6320000, "toleranceML": 51668, "capacityML": 8000000, "massG": 8848000, "freeWaterML": 1900000},
		"freshTank": map[string]any{"volumeML": 640000, "capacityML": 2000000, "massG": 640000}, "lastHeard": at, "position": 12, "openSeriousFindings": 0,
		"next": []any{map[string]any{"what": "decant-first", "urgency": "soon", "text": "the debris tank is 86 % full", "positions": []any{12}}}}}})
	body := func(path string, example map[string]any) {
		d.Paths[path].Post.RequestBody.Content["application/json"].Example = example
	}
	body("/v1/issued", map[string]any{"report": "billable", "number": "INV-1", "from": "2026-10-01", "to": "2026-10-31", "tz": "Europe/Dublin", "author": "Yard office"})
	body("/v1/quarantine/{entry}/release", map[string]any{"author": "Yard office", "note": "litres were meant", "event": exampleEvent("example-3", 3)})
	body("/v1/quarantine/{entry}/dismiss", map[string]any{"author": "Yard office", "note": "test message of the fitter"})
}

// describePeople adds the examples of those who sign in.
func describePeople(d *huma.OpenAPI, set func(path, status string, example any)) {
	const password = "gravel over clay over rock"
	at := "2026-10-05T06:00:00Z"
	user := map[string]any{"name": "m-byrne", "fullName": "Yard office", "role": "administrator", "changed": at, "changedBy": "first-code", "revision": 3}
	token := map[string]any{"id": "8f434346648f", "for": "controller of TM-01", "role": "truck", "trucks": []any{"TM-01"}, "made": at, "madeBy": "m-byrne", "ends": "2027-10-05T06:00:00Z"}
	made := map[string]any{"secret": "sbk_4KZ2T7M5XQ3WJH6YB2DNR5SV7CAGU4P2"}
	for k, v := range token {
		made[k] = v
	}
	me := map[string]any{"name": "m-byrne", "fullName": "Yard office", "role": "administrator"}
	set("/v1/sign-in", "200", me)
	set("/v1/me", "200", me)
	set("/v1/me/sessions", "200", map[string]any{"sessions": []any{map[string]any{"id": "8f434346648f", "user": "m-byrne", "made": at, "used": at, "agent": "a browser", "place": "192.0.2.1", "here": true}}})
	set("/v1/people/copy", "200", map[string]any{"format": "spoilbook-people-1", "made": at, "people": []any{map[string]any{"key": "user.m-byrne", "value": user}}})
	set("/v1/begin", "200", user)
	set("/v1/users", "200", map[string]any{"users": []any{user}})
	set("/v1/users/{name}", "200", user)
	for _, op := range operations(d.Paths["/v1/tokens"]) {
		example := map[string]any{"tokens": []any{token}}
		if op.OperationID == "make-token" {
			example = made
		}
		op.Responses["200"].Content["application/json"].Example = example
	}
	for path, example := range map[string]map[string]any{
		"/v1/sign-in":      {"name": "m-byrne", "password": password},
		"/v1/begin":        {"code": "4KZ2T7M5XQ3WJH6YB2DNR5SV7CAGU4P2", "name": "m-byrne", "fullName": "Yard office", "password": password},
		"/v1/me/password":  {"old": password, "new": "silt over sand over till"},
		"/v1/tokens":       {"for": "controller of TM-01", "role": "truck", "trucks": []any{"TM-01"}, "ends": "2027-10-05T06:00:00Z"},
		"/v1/users/{name}": {"fullName": "Crew of TM-01", "role": "crew", "trucks": []any{"TM-01"}, "password": "silt over sand over till"},
	} {
		for _, op := range operations(d.Paths[path]) {
			if op.RequestBody != nil {
				op.RequestBody.Content["application/json"].Example = example
			}
		}
	}
}
