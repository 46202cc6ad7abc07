package api

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/danielgtaylor/huma/v2"
	"github.com/gin-gonic/gin"

	"spoilbook/events/wire"
	"spoilbook/services/ledger"
)

// schemaPrefix is where the description keeps its schemas.
const schemaPrefix = "#/components/schemas/"

// description completes what huma derived from the types and returns a handler
// that gives it.
func (s *service) description(a huma.API) gin.HandlerFunc {
	d := a.OpenAPI()
	schemas := d.Components.Schemas.Map()
	describeSubmission(d.Paths["/v1/events"].Post)
	describePage[EventPage](d, "/v1/events", "EventPage", "Some of the events.")
	describePage[QuarantinePage](d, "/v1/quarantine", "QuarantinePage", "Some of the entries.")
	describeEvents(schemas)
	s.describeReports(d.Paths["/v1/reports/{name}"].Get)
	s.describeReports(d.Paths["/v1/issued/{number}/adjustment"].Get)
	d.Paths["/v1/postings"].Get.Responses["200"] = answer("The journal.", "text/plain", &huma.Schema{Type: "string"}, nil)
	d.AddOperation(&huma.Operation{OperationID: "metrics", Method: http.MethodGet, Path: "/metrics", Summary: "Metrics in the Prometheus text format", Tags: []string{"operations"},
		Responses: map[string]*huma.Response{"200": answer("The metrics.", "text/plain", &huma.Schema{Type: "string"}, nil)}})
	d.AddOperation(&huma.Operation{OperationID: "description", Method: http.MethodGet, Path: "/openapi.json", Summary: "This description", Tags: []string{"operations"},
		Responses: map[string]*huma.Response{"200": answer("OpenAPI 3.1.", "application/json", &huma.Schema{Type: "object"}, nil)}})
	d.AddOperation(&huma.Operation{OperationID: "stream-description", Method: http.MethodGet, Path: "/asyncapi.json", Summary: "The streams of the broker: subjects, messages and their schemas", Tags: []string{"operations"},
		Responses: map[string]*huma.Response{"200": answer("AsyncAPI 3.0.", "application/json", &huma.Schema{Type: "object", Required: []string{"asyncapi", "channels", "components"}}, nil)}})
	s.describeRows(d)
	describeProblems(d)
	describeExamples(d)
	body, err := json.Marshal(d)
	return func(g *gin.Context) {
		if err != nil {
			s.Logger.Error("api: description", "error", err)
			writeProblem(g, httpProblem(http.StatusInternalServerError, "the description can not be given"))
			return
		}
		g.Data(http.StatusOK, "application/json", body)
	}
}

func answer(text, media string, schema *huma.Schema, example any) *huma.Response {
	return &huma.Response{Description: text, Content: map[string]*huma.MediaType{media: {Schema: schema, Example: example}}}
}

// describePage gives a list its schema, which its handler's type does not show.
func describePage[T any](d *huma.OpenAPI, path, name, text string) {
	d.Paths[path].Get.Responses["200"] = answer(text, "application/json", d.Components.Schemas.Schema(reflect.TypeFor[T](), true, name), nil)
}

// describeEvents puts the JSON Schema of events among the schemas: its
// definitions under names of their own, for a description has one level of them.
func describeEvents(schemas map[string]*huma.Schema) {
	var event map[string]any
	if err := json.Unmarshal(wire.Schema(), &event); err != nil {
		panic(fmt.Sprintf("the schema of events, which this program carries, is no JSON: %v", err))
	}
	definitions, _ := event["$defs"].(map[string]any)
	for _, key := range []string{"$schema", "$id", "$defs"} {
		delete(event, key)
	}
	schemas["Event"] = rawSchema(event)
	for name, definition := range definitions {
		schemas["Event."+name] = rawSchema(definition)
	}
	schemas["EventView"].Properties["event"] = &huma.Schema{Ref: schemaPrefix + "Event"}
	schemas["ReleaseRequest"].Properties["event"] = &huma.Schema{
		Description: "the repaired event; left out, the message goes in as it is", Extensions: map[string]any{"$ref": schemaPrefix + "Event"}}
}

// rawSchema carries a JSON Schema whose references are turned to the description.
func rawSchema(v any) *huma.Schema {
	object, _ := refer(v).(map[string]any)
	return &huma.Schema{Extensions: object}
}

func refer(v any) any {
	switch v := v.(type) {
	case map[string]any:
		for key, member := range v {
			if text, ok := member.(string); ok && key == "$ref" {
				v[key] = strings.Replace(text, "#/$defs/", schemaPrefix+"Event.", 1)
				continue
			}
			v[key] = refer(member)
		}
	case []any:
		for i := range v {
			v[i] = refer(v[i])
		}
	}
	return v
}

// describeSubmission names the media types of events with their schemas.
func describeSubmission(submit *huma.Operation) {
	event := &huma.Schema{Ref: schemaPrefix + "Event"}
	batch := &huma.Schema{Type: "array", Items: event}
	submit.RequestBody = &huma.RequestBody{Required: true,
		Description: "One event, an array of events, or one event a line. What is no valid event is quarantined, so a body need not be valid by the schema.",
		Content: map[string]*huma.MediaType{
			oneEvent:   {Schema: event, Example: exampleEvent("example-1", 1)},
			eventBatch: {Schema: batch, Example: []any{exampleEvent("example-1", 1), exampleEvent("example-2", 2)}},
			eventLines: {Schema: &huma.Schema{Type: "string", Description: "one event a line, each as in " + oneEvent}, Example: exampleLines()},
		}}
	view := &huma.Schema{Ref: schemaPrefix + "SubmitView"}
	submit.Responses["200"] = answer("Every event is handled; the counts say how.", "application/json", view, exampleSubmitted())
	submit.Responses["202"] = answer("The events are received and not recorded yet.", "application/json", view, exampleReceived())
}

func (s *service) describeReports(report *huma.Operation) {
	content := map[string]*huma.MediaType{}
	for _, format := range s.Formats {
		schema := &huma.Schema{Type: "string"}
		switch format {
		case "json":
			schema = &huma.Schema{Type: "object", Required: []string{"report", "title", "provenance", "tables", "findings"}}
		case "xlsx", "zip":
			schema = &huma.Schema{Type: "string", Format: "binary"}
		}
		media, _, _ := strings.Cut(mediaTypes(format), ";")
		content[media] = &huma.MediaType{Schema: schema}
	}
	report.Responses["200"] = &huma.Response{Description: "The report, in the format asked for.", Content: content,
		Headers: map[string]*huma.Param{"X-Ledger-Position": {Description: "the last position that the report covers", Schema: &huma.Schema{Type: "integer"}}}}
}

// describeProblems gives every operation its problems and takes out huma's own
// model of errors, which no answer has.
func describeProblems(d *huma.OpenAPI) {
	schemas := d.Components.Schemas
	problem := schemas.Schema(reflect.TypeFor[Problem](), true, "Problem")
	delete(schemas.Map(), "ErrorModel")
	delete(schemas.Map(), "ErrorDetail")
	for _, path := range slices.Sorted(maps.Keys(d.Paths)) {
		for _, op := range operations(d.Paths[path]) {
			delete(op.Responses, "default")
			for _, status := range problemStatuses(path, op) {
				op.Responses[strconv.Itoa(status)] = answer(http.StatusText(status)+": a problem with what to do about it.", problemMedia, problem, nil)
			}
		}
	}
}

func operations(p *huma.PathItem) []*huma.Operation {
	return slices.DeleteFunc([]*huma.Operation{p.Get, p.Post, p.Put, p.Delete}, func(op *huma.Operation) bool { return op == nil })
}

// problemStatuses lists what an operation may answer besides success.
func problemStatuses(path string, op *huma.Operation) []int {
	out := []int{http.StatusUnauthorized, http.StatusTooManyRequests, http.StatusForbidden, http.StatusMisdirectedRequest, http.StatusRequestHeaderFieldsTooLarge, http.StatusInternalServerError}
	if len(op.Parameters) > 0 || op.RequestBody != nil {
		out = append(out, http.StatusBadRequest, http.StatusUnprocessableEntity)
	}
	if op.RequestBody != nil {
		out = append(out, http.StatusRequestTimeout, http.StatusRequestEntityTooLarge, http.StatusUnsupportedMediaType)
	}
	if strings.Contains(path, "{") || slices.Contains([]string{"/v1/fates", "/v1/sources", "/asyncapi.json"}, path) || strings.HasPrefix(path, "/v1/events.") {
		out = append(out, http.StatusNotFound)
	}
	if strings.HasSuffix(path, "/release") || strings.HasSuffix(path, "/dismiss") || op.OperationID == "submit-events" || op.OperationID == "issue-report" {
		out = append(out, http.StatusConflict)
	}
	if slices.Contains(op.Tags, "people") {
		out = append(out, http.StatusConflict)
	}
	if strings.HasPrefix(path, "/v1/") && op.OperationID != "list-reports" || path == "/health/ready" {
		out = append(out, http.StatusServiceUnavailable, http.StatusGatewayTimeout)
	}
	if strings.HasSuffix(path, "/release") || op.OperationID == "submit-events" || op.OperationID == "issue-report" {
		out = append(out, ledger.OutcomeOf(ledger.BrokerFull).Status)
	}
	if strings.HasPrefix(path, "/v1/") {
		out = append(out, http.StatusRequestEntityTooLarge)
	}
	return out
}
