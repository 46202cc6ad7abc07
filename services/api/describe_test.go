package api_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/gin-gonic/gin"

	"spoilbook/services/ledger"
	"spoilbook/services/rigtest"
)

// described is the part of the description that the tests walk.
type described struct {
	OpenAPI    string
	Paths      map[string]map[string]operation
	Components struct {
		Schemas map[string]any
	}
}

type operation struct {
	OperationID string
	Tags        []string
	Parameters  []struct {
		Name, In string
		Schema   struct{ Examples []any }
	}
	RequestBody struct{ Content map[string]media }
	Responses   map[string]struct{ Content map[string]media }
}

type media struct {
	Schema  map[string]any
	Example json.RawMessage
}

func (r *rig) description() described {
	r.t.Helper()
	var d described
	r.call("GET", "/openapi.json", "", "", 200).into(r.t, &d)
	return d
}

func TestDescriptionIsValid(t *testing.T) {
	r := newRig(t)
	if ok, errs := r.valid.ValidateDocument(); !ok {
		for _, e := range errs {
			t.Errorf("%s: %s %v", e.Message, e.Reason, e.SchemaValidationErrors)
		}
	}
	d := r.description()
	if !strings.HasPrefix(d.OpenAPI, "3.1.") {
		t.Errorf("OpenAPI version %q", d.OpenAPI)
	}
	for _, name := range []string{"ErrorModel", "ErrorDetail"} {
		if d.Components.Schemas[name] != nil {
			t.Errorf("%s is described and no answer has it", name)
		}
	}
	var text bytes.Buffer
	if err := json.NewEncoder(&text).Encode(d.Components.Schemas); err != nil {
		t.Fatal(err)
	}
	for _, ref := range regexp.MustCompile(`"\$ref":"([^"]*)"`).FindAllStringSubmatch(text.String(), -1) {
		if name, ok := strings.CutPrefix(ref[1], "#/components/schemas/"); !ok || d.Components.Schemas[name] == nil {
			t.Errorf("%q refers to nothing", ref[1])
		}
	}
}

func TestDescriptionNamesEveryRoute(t *testing.T) {
	r := newRig(t)
	router, ok := r.server.Config.Handler.(*gin.Engine)
	if !ok {
		t.Fatal("the handler is no router")
	}
	var have, want []string
	for _, route := range router.Routes() {
		path := regexp.MustCompile(`:(\w+)`).ReplaceAllString(route.Path, "{$1}")
		want = append(want, strings.ToLower(route.Method)+" "+path)
	}
	ids := map[string]bool{}
	for path, item := range r.description().Paths {
		for method, op := range item {
			have = append(have, method+" "+path)
			if op.OperationID == "" || ids[op.OperationID] {
				t.Errorf("%s %s has the operation id %q", method, path, op.OperationID)
			}
			ids[op.OperationID] = true
			for status, answer := range op.Responses {
				if status >= "400" && answer.Content["application/problem+json"].Schema["$ref"] != "#/components/schemas/Problem" {
					t.Errorf("%s %s: status %s is no problem: %v", method, path, status, answer.Content)
				}
			}
		}
	}
	slices.Sort(have)
	slices.Sort(want)
	if !slices.Equal(have, want) || len(want) < 15 {
		t.Errorf("described:\n%s\nrouted:\n%s", strings.Join(have, "\n"), strings.Join(want, "\n"))
	}
	reports := regexp.MustCompile(`"enum":\[("manifest"[^\]]*)\]`).FindStringSubmatch(string(r.call("GET", "/openapi.json", "", "", 200).body))
	if wantNames := `"` + strings.Join(ledger.ReportNames(), `","`) + `"`; len(reports) != 2 || reports[1] != wantNames {
		t.Errorf("described reports %v, want %s", reports, wantNames)
	}
}

// Every event on the wire is valid by the schema of the description, and what is
// changed in a way that it forbids is not.
func TestDescriptionOfEvents(t *testing.T) {
	r := newRig(t)
	content := r.description().Paths["/v1/events"]["post"].RequestBody.Content
	if got := slices.Sorted(maps.Keys(content)); !slices.Equal(got, []string{one, batch, lines}) {
		t.Fatalf("media types %q", got)
	}
	valid := func(media, body string) bool {
		req, err := http.NewRequest("POST", r.server.URL+"/v1/events", strings.NewReader(body))
		r.must(err)
		req.Header.Set("Content-Type", media)
		ok, _ := r.valid.ValidateHttpRequest(req)
		return ok
	}
	files, err := filepath.Glob("../../testdata/wire/*.json")
	if err != nil || len(files) < 20 {
		t.Fatalf("%d samples, %v", len(files), err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		r.must(err)
		sample := string(text)
		if !valid(one, sample) || !valid(batch, "["+sample+","+sample+"]") {
			t.Errorf("%s is not valid by the description", file)
		}
		for _, change := range [][2]string{{`"specversion":"1.0"`, `"specversion":"2.0"`}, {`"seq":`, `"seq":-`}, {`"id":`, `"more":1,"id":`}, {`"data":{`, `"data":{"more":1,`}} {
			broken := strings.Replace(sample, change[0], change[1], 1)
			if broken == sample || valid(one, broken) || valid(batch, "["+sample+","+broken+"]") {
				t.Errorf("%s with %s is valid by the description", file, change[1])
			}
		}
	}
}

// The description's examples are sent as they stand, and the answers that it shows
// are valid by their schemas.
func TestDescriptionExamplesRun(t *testing.T) {
	r := newRig(t)
	r.record()
	d := r.description()
	// What the examples speak of: an event, a shift, and two messages in quarantine.
	r.submit(lines, truckRevision(t, 1, "TM-01")+"\n"+shift(t, "TM-01")+"{\n[")
	entries := map[string]string{"/v1/quarantine/{entry}/release": "1", "/v1/quarantine/{entry}/dismiss": "2"}
	bodies, answers := 0, 0
	for _, path := range slices.Sorted(maps.Keys(d.Paths)) {
		for method, op := range d.Paths[path] {
			if slices.Contains(op.Tags, "people") {
				continue // they build on each other, and have a test of their own
			}
			target := exampleTarget(path, op, entries[path])
			if path == "/v1/fates" {
				stream, err := rigtest.Publisher{Broker: r.broker}.Stream(t.Context())
				r.must(err)
				target += "&stream=" + url.QueryEscape(stream) + "&first=1&last=1"
			}
			want := http.StatusOK
			if op.Responses["204"].Content != nil || strings.HasSuffix(path, "/dismiss") {
				want = http.StatusNoContent
			}
			for name, m := range op.RequestBody.Content {
				r.call(strings.ToUpper(method), target, name, exampleBody(t, m.Example), want)
				bodies++
			}
			if len(op.RequestBody.Content) == 0 {
				r.call(strings.ToUpper(method), target, "", "", want)
			}
			for status, a := range op.Responses {
				if m := a.Content["application/json"]; m.Example != nil {
					r.shown(method, path, status, m.Example)
					answers++
				}
			}
		}
	}
	if bodies != 6 || answers < 12 {
		t.Errorf("%d bodies were sent and %d answers looked at", bodies, answers)
	}
}

func exampleTarget(path string, op operation, entry string) string {
	query := url.Values{}
	for _, p := range op.Parameters {
		value := ""
		for _, example := range p.Schema.Examples {
			value = fmt.Sprint(example)
		}
		switch {
		case p.In == "path" && p.Name == "entry" && entry != "":
			path = strings.Replace(path, "{entry}", entry, 1)
		case p.In == "path":
			path = strings.Replace(path, "{"+p.Name+"}", value, 1)
		case value != "":
			query.Set(p.Name, value)
		}
	}
	return path + "?" + query.Encode()
}

func exampleBody(t testing.TB, example json.RawMessage) string {
	t.Helper()
	var text string
	if json.Unmarshal(example, &text) == nil {
		return text
	}
	if len(example) == 0 {
		t.Fatal("a body has no example")
	}
	return string(example)
}

// shown holds the example of an answer against its schema.
func (r *rig) shown(method, path, status string, example json.RawMessage) {
	r.t.Helper()
	req, err := http.NewRequest(strings.ToUpper(method), r.server.URL+regexp.MustCompile(`\{\w+\}`).ReplaceAllString(path, "1"), nil)
	r.must(err)
	var code int
	_, err = fmt.Sscan(status, &code)
	r.must(err)
	res := &http.Response{StatusCode: code, Header: http.Header{"Content-Type": {"application/json"}}, Body: http.NoBody, Request: req}
	for broken, body := range map[bool]json.RawMessage{false: example, true: bytes.Replace(example, []byte(":"), []byte(":[],\"x\":"), 1)} {
		res.Body = readCloser{bytes.NewReader(body)}
		if ok, errs := r.valid.ValidateHttpResponse(req, res); ok == broken {
			r.t.Errorf("%s %s %s: broken %v, valid %v: %v in %s", method, path, status, broken, ok, errs, body)
		}
	}
}

type readCloser struct{ *bytes.Reader }

func (readCloser) Close() error { return nil }
