package wire

import "github.com/go-json-experiment/json/jsontext"

// What stands on the wire where a payload holds a payload, for the schema.
type (
	Correction  = correction
	Replacement = replacement
	Revision    = revision
	RawJSON     = jsontext.Value
)
