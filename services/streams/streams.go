// Package streams describes the streams of the broker as an AsyncAPI 3.0 document, so that programs which send events, read receipts or follow
// what comes can be made and checked against it without reading our code: which subjects there are, what a message on them holds, and its
// schema. For example
//
//	text, err := streams.Document(streams.Options{Version: "0.1.0", Events: "spoilbook.events.", Receipts: "spoilbook.receipts."})
//
// has the channel events at spoilbook.events.{class}.{name} with a message for each kind of event, and the message load.collected has the
// schema that the ledger decodes by. The schemas are those of package wire, with their definitions moved to components/schemas, where AsyncAPI
// looks for them. The operations are seen from Spoilbook, as AsyncAPI wants them: it receives events, and sends receipts.
package streams

import (
	"encoding/json"
	"fmt"
	"strings"

	"spoilbook/events"
	"spoilbook/events/wire"
)

// Options say what is described. Events and Receipts are the beginnings of the subjects, as the broker has them, with the dot at their end.
type Options struct {
	Version          string // of the program
	Events, Receipts string
}

type object = map[string]any

const (
	schemasAt  = "#/components/schemas/"
	messagesAt = "#/components/messages/"
	receipt    = "receipt"
)

// Document returns the AsyncAPI document as indented JSON. The same options give the same bytes.
func Document(o Options) ([]byte, error) {
	schemas, err := schemasOfEvents()
	if err != nil {
		return nil, fmt.Errorf("describe streams: %w", err)
	}
	for name, schema := range receiptSchemas() {
		schemas[name] = schema
	}
	messages, ofEvents := object{receipt: receiptMessage()}, object{}
	for _, k := range events.Kinds() {
		messages[string(k)] = eventMessage(k)
		ofEvents[string(k)] = object{"$ref": messagesAt + string(k)}
	}
	d := object{
		"asyncapi": "3.0.0", "id": "urn:spoilbook:streams",
		"info":               info(o.Version),
		"defaultContentType": "application/cloudevents+json",
		"channels": object{
			"events":   eventsChannel(o.Events, ofEvents),
			"receipts": receiptsChannel(o.Receipts),
		},
		"operations": object{
			"take-events": object{"action": "receive", "channel": object{"$ref": "#/channels/events"},
				"summary": "Spoilbook takes events in: each is recorded once, or quarantined whole with its reason."},
			"send-receipts": object{"action": "send", "channel": object{"$ref": "#/channels/receipts"},
				"summary": "Spoilbook tells each source what is recorded of it."},
		},
		"components": object{"messages": messages, "schemas": schemas},
	}
	text, err := json.MarshalIndent(d, "", " ")
	if err != nil {
		return nil, fmt.Errorf("describe streams: %w", err)
	}
	return append(text, '\n'), nil
}

func info(version string) object {
	return object{"title": "Spoilbook streams", "version": version, "description": "The streams of the site operations ledger of vacuum-excavation trucks, over NATS JetStream. " +
		"A message is one event or one receipt. Spoilbook looks at subject and payload and at no header; a program may set headers of its own, and they are not recorded. " +
		"An event counts once however often it is sent: keep it until a receipt says that its number is recorded, and send it again when in doubt."}
}

// source are the parameters of every subject.
func source() object {
	return object{
		"class": object{"description": "What counts the events: a truck, or a desk of the office.", "enum": []string{"truck", "office"}},
		"name":  object{"description": "Its name, 1 to 40 of A-Z a-z 0-9 _ and -, beginning with a letter or digit, such as TM-01. The event's source is /{class}/{name}."},
	}
}

func eventsChannel(prefix string, messages object) object {
	return object{"address": prefix + "{class}.{name}", "title": "Events", "parameters": source(), "messages": messages,
		"description": "Each source publishes under its own subject, in the order of its numbers, and waits for the broker to say that the message is stored. " +
			"To follow what is recorded, ask the API for events above a position instead: the stream also has what will be refused, and what comes twice."}
}

func receiptsChannel(prefix string) object {
	return object{"address": prefix + "{class}.{name}", "title": "Receipts", "parameters": source(), "messages": object{receipt: object{"$ref": messagesAt + receipt}},
		"description": "What the ledger has of a source. A receipt is good without the ones before it; they are kept for 30 days, or 256 MiB."}
}

func eventMessage(k events.Kind) object {
	return object{"name": string(k), "contentType": "application/cloudevents+json",
		"summary": "An event of the kind " + string(k) + ".",
		"payload": object{"allOf": []object{{"$ref": schemasAt + "Event"}, {"properties": object{"type": object{"const": "spoilbook." + string(k)}}}}}}
}

func receiptMessage() object {
	return object{"name": receipt, "contentType": "application/json", "summary": "What is recorded of a source.", "payload": object{"$ref": schemasAt + "Receipt"}}
}

// schemasOfEvents returns the schema of an event and its definitions, by name, with their references turned to where they now stand.
func schemasOfEvents() (object, error) {
	var event object
	if err := json.Unmarshal(wire.Schema(), &event); err != nil {
		return nil, fmt.Errorf("the schema of events: %w", err)
	}
	definitions, ok := event["$defs"].(object)
	if !ok {
		return nil, fmt.Errorf("the schema of events has no definitions")
	}
	out := object{}
	for _, key := range []string{"$schema", "$id", "$defs"} {
		delete(event, key)
	}
	out["Event"] = moved(event)
	for name, d := range definitions {
		out["Event."+name] = moved(d)
	}
	return out, nil
}

// moved turns references to where definitions stand here, and the one keyword that AsyncAPI's schemas, which are of draft 7, have under another
// name: what is required beside a member.
func moved(v any) any {
	switch v := v.(type) {
	case object:
		for key, member := range v {
			if ref, ok := member.(string); ok && key == "$ref" {
				v[key] = strings.Replace(ref, "#/$defs/", schemasAt+"Event.", 1)
				continue
			}
			v[key] = moved(member)
		}
		if d, ok := v["dependentRequired"].(object); ok {
			delete(v, "dependentRequired")
			v["dependencies"] = d
		}
	case []any:
		for i := range v {
			v[i] = moved(v[i])
		}
	}
	return v
}

// receiptSchemas are those of a receipt.
func receiptSchemas() object {
	number := func(says string) object { return object{"type": "integer", "minimum": 0, "description": says} }
	list := func(name, says string) object {
		return object{"type": "array", "maxItems": 100, "items": object{"$ref": schemasAt + name}, "description": says}
	}
	sealed := func(says string, required []string, properties object) object {
		return object{"type": "object", "description": says, "additionalProperties": false, "required": required, "properties": properties}
	}
	return object{
		"Receipt": sealed("What the ledger has of a source: every number up to the highest that no missing range names.",
			[]string{"source", "recordedThrough", "highest", "position", "recorded", "duplicates"}, object{
				"source":          object{"type": "string", "description": "such as /truck/TM-01"},
				"recordedThrough": number("all numbers up to this one are recorded"),
				"highest":         number("the highest number recorded"),
				"missing":         list("Receipt.Missing", "numbers below the highest that are not recorded; the last range may hold some that are"),
				"position":        number("of the ledger"),
				"recorded":        number("events recorded since the last receipt"),
				"duplicates":      number("events that were recorded before"),
				"quarantined":     object{"type": "array", "items": object{"$ref": schemasAt + "Receipt.Quarantined"}, "description": "what could not be recorded"},
			}),
		"Receipt.Missing": sealed("Numbers from the first to before the last.", []string{"from", "to"},
			object{"from": number("the first that is missing"), "to": number("the first that is not")}),
		"Receipt.Quarantined": sealed("A message that could not be recorded and is kept whole.", []string{"id", "entry", "code"},
			object{"id": object{"type": "string"}, "entry": number("of the quarantine"), "code": object{"type": "string", "description": "why"}}),
	}
}
