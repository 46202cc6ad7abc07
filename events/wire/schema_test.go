package wire_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"github.com/invopop/jsonschema"

	"spoilbook/events"
	"spoilbook/events/wire"
)

func TestSchemaIsCurrent(t *testing.T) {
	made, err := newSchema()
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "schema.json", string(made))
	if committed, err := os.ReadFile("schema.json"); err != nil || !bytes.Equal(wire.Schema(), committed) && !*update {
		t.Errorf("Schema() is not schema.json (error %v)", err)
	}
}

// newSchema builds the schema from the types, their comments and what their
// validation allows.
func newSchema() ([]byte, error) {
	b := &builder{limits: limits{}, defs: jsonschema.Definitions{}}
	b.reflector = &jsonschema.Reflector{Anonymous: true, Mapper: mapped, Namer: defName}
	if err := b.reflector.AddGoComments("spoilbook/events/wire", ".."); err != nil {
		return nil, err
	}
	root, err := b.envelope()
	if err != nil {
		return nil, err
	}
	root.Definitions = b.defs
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	err = enc.Encode(root)
	return out.Bytes(), err
}

// mapped gives the types that are more than their Go kind says.
func mapped(t reflect.Type) *jsonschema.Schema {
	switch t {
	case reflect.TypeFor[events.Time]():
		return &jsonschema.Schema{Ref: "#/$defs/Time"}
	case reflect.TypeFor[events.Kind]():
		return &jsonschema.Schema{Type: "string", Enum: correctable()}
	case reflect.TypeFor[events.Register]():
		words := []any{}
		for _, r := range events.Registers() {
			words = append(words, string(r))
		}
		return &jsonschema.Schema{Type: "string", Enum: words}
	case reflect.TypeFor[wire.RawJSON]():
		return &jsonschema.Schema{Type: "object"}
	}
	return nil
}

func defName(t reflect.Type) string {
	switch t {
	case reflect.TypeFor[wire.Correction]():
		return "EntryCorrected"
	case reflect.TypeFor[wire.Revision]():
		return "RegisterRevised"
	case reflect.TypeFor[wire.Replacement]():
		return "Replacement"
	}
	return t.Name()
}

func correctable() []any {
	words := []any{}
	for _, k := range events.Kinds() {
		if events.Correctable(k) {
			words = append(words, string(k))
		}
	}
	return words
}

// builder gathers the definitions of all payloads.
type builder struct {
	reflector *jsonschema.Reflector
	limits    limits
	defs      jsonschema.Definitions
}

// payload adds the definition of a payload and of what it holds. Where it stands
// on the wire in another form than shape, as is that form.
func (b *builder) payload(shape, as reflect.Type, check func(v any, c *events.Check)) (*jsonschema.Schema, error) {
	value := reflect.New(shape)
	if err := b.limits.find(value, func(c *events.Check) { check(value.Elem().Interface(), c) }); err != nil {
		return nil, err
	}
	made := b.reflector.ReflectFromType(as)
	for name, def := range made.Definitions {
		b.defs[name] = def
	}
	b.limits[reflect.TypeFor[wire.Correction]()] = b.limits[reflect.TypeFor[events.EntryCorrected]()]
	b.limits[reflect.TypeFor[wire.Replacement]()] = b.limits[reflect.TypeFor[events.Replacement]()]
	b.limits[reflect.TypeFor[wire.Revision]()] = b.limits[reflect.TypeFor[events.RegisterRevised]()]
	return &jsonschema.Schema{Ref: made.Ref}, b.narrow(as)
}

// narrow writes the limits of t's members, and of those within, into its
// definition.
func (b *builder) narrow(t reflect.Type) error {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct || t == reflect.TypeFor[events.Time]() {
		return nil
	}
	def, ok := b.defs[defName(t)]
	if !ok {
		return fmt.Errorf("%s has no definition", t)
	}
	for i := range t.NumField() {
		f := t.Field(i)
		name := memberName(f)
		member, ok := def.Properties.Get(name)
		if !ok {
			return fmt.Errorf("%s.%s has no definition", t, name)
		}
		if list, ok := b.limits[t][name+"[]"]; ok {
			member.MinItems, member.MaxItems = count(list.min), count(list.max)
		}
		if one, ok := b.limits[t][name]; ok {
			narrowOne(member, one)
		}
		if err := b.narrow(f.Type); err != nil {
			return err
		}
	}
	return nil
}

func narrowOne(s *jsonschema.Schema, one limit) {
	if s.Items != nil {
		s = s.Items
	}
	if len(one.words) > 0 {
		s.Enum = make([]any, 0, len(one.words))
		for _, w := range one.words {
			s.Enum = append(s.Enum, w)
		}
	}
	if one.pattern != "" {
		s.Pattern = one.pattern
	}
	if s.Type == "integer" {
		s.Minimum, s.Maximum = number(one.min), number(one.max)
		if one.unit != "" && !strings.Contains(s.Description, one.unit) {
			s.Description = strings.TrimPrefix(s.Description+"; "+one.unit, "; ")
		}
	} else if one.bounded {
		s.MinLength, s.MaxLength = count(one.min), count(one.max)
	}
}

func number(v int64) json.Number { return json.Number(strconv.FormatInt(v, 10)) }

func count(v int64) *uint64 {
	if v == 0 {
		return nil
	}
	n := uint64(v)
	return &n
}

// envelope returns the schema of the envelope, which chooses that of the payload.
func (b *builder) envelope() (*jsonschema.Schema, error) {
	b.defs["Time"] = &jsonschema.Schema{Type: "string", Description: "RFC 3339 with an offset, to the millisecond.",
		Pattern: `^20[0-9]{2}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,3})?(Z|[+-][0-9]{2}:[0-9]{2})$`}
	id := func(what string) *jsonschema.Schema {
		return &jsonschema.Schema{Type: "string", Pattern: idPattern, Description: what}
	}
	members := jsonschema.NewProperties()
	types := []any{}
	root := &jsonschema.Schema{Version: jsonschema.Version, ID: "urn:spoilbook:event:1", Title: "Spoilbook event",
		Description: "One event of a site operations ledger: a CloudEvents 1.0 envelope and the payload that its type names.",
		Type:        "object", Properties: members, AdditionalProperties: jsonschema.FalseSchema,
		Required: []string{"data", "id", "origin", "seq", "source", "specversion", "time", "type"}}
	for _, k := range events.Kinds() {
		types = append(types, "spoilbook."+string(k))
		rule, err := b.kind(k)
		if err != nil {
			return nil, err
		}
		root.AllOf = append(root.AllOf, rule)
	}
	root.AllOf = append(root.AllOf, when("source", &jsonschema.Schema{Pattern: "^/truck/"}, &jsonschema.Schema{Required: []string{"subject"}}))
	members.Set("specversion", &jsonschema.Schema{Const: "1.0"})
	members.Set("id", &jsonschema.Schema{Type: "string", MinLength: count(1), MaxLength: count(64), Description: "Unique within the source."})
	members.Set("source", &jsonschema.Schema{Type: "string", Pattern: sourcePattern, Description: "Who counts the event."})
	members.Set("type", &jsonschema.Schema{Type: "string", Enum: types})
	members.Set("datacontenttype", &jsonschema.Schema{Const: "application/json"})
	members.Set("dataschema", &jsonschema.Schema{Type: "string"})
	members.Set("subject", id("The truck concerned."))
	members.Set("time", &jsonschema.Schema{Ref: "#/$defs/Time"})
	members.Set("seq", &jsonschema.Schema{Type: "integer", Minimum: "1", Maximum: number(1<<31 - 1), Description: "Counted by the source, gap-free."})
	members.Set("operator", id("The operator concerned."))
	members.Set("job", id("The job concerned."))
	members.Set("origin", &jsonschema.Schema{Type: "string", Enum: []any{"controller", "crew", "office", "file"}})
	members.Set("place", &jsonschema.Schema{Type: "string", Pattern: `^geo:-?[0-9]{1,3}(\.[0-9]{0,6})?,-?[0-9]{1,3}(\.[0-9]{0,6})?$`, Description: "RFC 5870, degrees."})
	members.Set("data", &jsonschema.Schema{Type: "object"})
	return root, nil
}

// kind returns the rule of an event of kind k.
func (b *builder) kind(k events.Kind) (*jsonschema.Schema, error) {
	spec, _ := events.SpecOf(k)
	body := reflect.TypeOf(events.Deref(spec.New()))
	as := map[events.Kind]reflect.Type{events.KindEntryCorrected: reflect.TypeFor[wire.Correction](),
		events.KindRegisterRevised: reflect.TypeFor[wire.Revision]()}[k]
	if as == nil {
		as = body
	}
	data, err := b.payload(body, as, func(v any, c *events.Check) { v.(events.Body).Check(c) })
	if err != nil {
		return nil, fmt.Errorf("%s: %w", k, err)
	}
	if err := b.within(k); err != nil {
		return nil, err
	}
	members := jsonschema.NewProperties()
	members.Set("data", data)
	members.Set("dataschema", &jsonschema.Schema{Const: fmt.Sprintf("urn:spoilbook:%s:%d", k, spec.Version)})
	then := &jsonschema.Schema{Properties: members}
	if spec.NeedsTruck {
		then.Required = append(then.Required, "subject")
	}
	if spec.NeedsJob {
		then.Required = append(then.Required, "job")
	}
	return when("type", &jsonschema.Schema{Const: "spoilbook." + string(k)}, then), nil
}

// within adds what a payload holds by choice of another member, and the rules on
// which of several members must be given.
func (b *builder) within(k events.Kind) error {
	need := func(names ...string) *jsonschema.Schema { return &jsonschema.Schema{Required: names} }
	switch k {
	case events.KindLoadCollected:
		b.defs["LoadCollected"].AnyOf = []*jsonschema.Schema{need("slurryVolume"), need("slurryMass"), need("bank")}
	case events.KindWaterRefilled:
		b.defs["WaterRefilled"].AnyOf = []*jsonschema.Schema{need("volume"), need("meterStartML", "meterEndML")}
	case events.KindSpoilTipped:
		b.defs["SpoilTipped"].OneOf = []*jsonschema.Schema{need("whole"), need("volume"), need("mass"), need("portionPPM")}
	case events.KindSpoilReturned:
		b.defs["SpoilReturned"].OneOf = []*jsonschema.Schema{need("whole"), need("volume"), need("mass"), need("portionPPM")}
	case events.KindTankGauged:
		b.defs["TankGauged"].OneOf = []*jsonschema.Schema{need("volume"), need("levelMM")}
	case events.KindEntryCorrected:
		def := b.defs["Replacement"]
		for _, c := range events.Kinds() {
			if events.Correctable(c) {
				spec, _ := events.SpecOf(c)
				def.AllOf = append(def.AllOf, when("type", &jsonschema.Schema{Const: string(c)},
					members("data", &jsonschema.Schema{Ref: "#/$defs/" + reflect.TypeOf(events.Deref(spec.New())).Name()})))
			}
		}
	case events.KindRegisterRevised:
		def := b.defs["RegisterRevised"]
		for _, r := range events.Registers() {
			t := reflect.TypeOf(events.DocumentOf(events.NewDocument(r)))
			document, err := b.payload(t, t, func(v any, c *events.Check) { v.(events.Document).Check(c) })
			if err != nil {
				return fmt.Errorf("%s: %w", r, err)
			}
			def.AllOf = append(def.AllOf, when("register", &jsonschema.Schema{Const: string(r)}, members("document", document)))
		}
		b.defs["Facility"].DependentRequired = map[string][]string{"gateFeePerTonne": {"currency"}}
	}
	return nil
}

func members(name string, s *jsonschema.Schema) *jsonschema.Schema {
	p := jsonschema.NewProperties()
	p.Set(name, s)
	return &jsonschema.Schema{Properties: p}
}

// when applies then where the member called name is as given.
func when(name string, is, then *jsonschema.Schema) *jsonschema.Schema {
	condition := members(name, is)
	condition.Required = []string{name}
	return &jsonschema.Schema{If: condition, Then: then}
}
