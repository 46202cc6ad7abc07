package wire

import _ "embed" // for the schema

//go:generate go test -run TestSchemaIsCurrent -update .

// schema is generated from the payload types and their validation.
//
//go:embed schema.json
var schema string

// Schema returns the JSON Schema (draft 2020-12) of an event on the wire: the
// envelope and the payload of every kind. What [Encode] returns is valid by it;
// rules that compare fields with each other are left to [Decode].
func Schema() []byte { return []byte(schema) }
