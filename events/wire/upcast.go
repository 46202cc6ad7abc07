package wire

import (
	"fmt"

	"github.com/go-json-experiment/json/jsontext"

	"spoilbook/events"
)

// upcasts turns a payload of an old version into the next one, by kind and the
// version it starts from. Samples of every version stay in testdata and decode
// for ever. All kinds are at version 1 today.
func upcasts(events.Kind, int) func(jsontext.Value) (jsontext.Value, error) { return nil }

// upcast raises data from version n to the one that spec has.
func upcast(spec events.Spec, n int, data jsontext.Value) (jsontext.Value, error) {
	for ; n < spec.Version; n++ {
		up := upcasts(spec.Kind, n)
		if up == nil {
			return nil, oneField("dataschema", fmt.Sprintf("version %d", n), fmt.Sprintf("a version that can be raised to %d", spec.Version))
		}
		var err error
		if data, err = up(data); err != nil {
			return nil, oneField("data", err.Error(), fmt.Sprintf("a payload of version %d", n))
		}
	}
	return data, nil
}
