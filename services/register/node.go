package register

import (
	"fmt"
	"reflect"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/goccy/go-yaml/ast"

	"spoilbook/events"
)

// maxDepth is deeper than any document goes.
const maxDepth = 16

// lines remembers on which line of a file each field stands, by its path
// ("document.axles.0.name").
type lines map[string]int

// of returns the line of the longest known part of path.
func (l lines) of(path string) int {
	for {
		if n, ok := l[path]; ok {
			return n
		}
		cut := strings.LastIndexByte(path, '.')
		if cut < 0 {
			return l[""]
		}
		path = path[:cut]
	}
}

// note remembers the line of n as that of path.
func (l lines) note(path string, n ast.Node) {
	if t := n.GetToken(); t != nil && t.Position != nil {
		l[path] = t.Position.Line
	}
}

// appendJSON appends node n as JSON to b. The type t that it is meant for, nil
// when unknown, decides one thing: a number where text is wanted is taken as it
// is written, so that 85.00 keeps its decimals and 17.5 its point.
func appendJSON(b []byte, n ast.Node, t reflect.Type, path string, where lines, depth int) ([]byte, error) {
	if depth > maxDepth {
		return nil, fieldError(path, "more than "+strconv.Itoa(maxDepth)+" levels", "fewer levels")
	}
	text := t != nil && t.Kind() == reflect.String
	switch n := n.(type) {
	case *ast.StringNode:
		return jsontext.AppendQuote(b, n.Value)
	case *ast.LiteralNode:
		return jsontext.AppendQuote(b, strings.TrimSuffix(n.Value.Value, "\n"))
	case *ast.IntegerNode:
		return appendNumber(b, n.GetToken().Value, text)
	case *ast.FloatNode:
		return appendNumber(b, n.GetToken().Value, text)
	case *ast.BoolNode:
		return strconv.AppendBool(b, n.Value), nil
	case *ast.NullNode:
		return append(b, "null"...), nil
	case *ast.MappingNode:
		return appendObject(b, n, t, path, where, depth)
	case *ast.SequenceNode:
		return appendList(b, n, t, path, where, depth)
	}
	return nil, fieldError(path, describe(n), "plain values; write each one out where it holds")
}

func appendObject(b []byte, n *ast.MappingNode, t reflect.Type, path string, where lines, depth int) ([]byte, error) {
	b = append(b, '{')
	for i, pair := range n.Values {
		name, err := memberName(pair, path)
		if err != nil {
			return nil, err
		}
		if i > 0 {
			b = append(b, ',')
		}
		if b, err = jsontext.AppendQuote(b, name); err != nil {
			return nil, fieldError(path, err.Error(), "names in UTF-8")
		}
		at := path + "." + name
		where.note(at, pair.Key)
		if b, err = appendJSON(append(b, ':'), pair.Value, memberType(t, name), at, where, depth+1); err != nil {
			return nil, err
		}
	}
	return append(b, '}'), nil
}

func appendList(b []byte, n *ast.SequenceNode, t reflect.Type, path string, where lines, depth int) ([]byte, error) {
	var elem reflect.Type
	if t != nil && t.Kind() == reflect.Slice {
		elem = t.Elem()
	}
	b = append(b, '[')
	for i, item := range n.Values {
		if i > 0 {
			b = append(b, ',')
		}
		at := path + "." + strconv.Itoa(i)
		where.note(at, item)
		var err error
		if b, err = appendJSON(b, item, elem, at, where, depth+1); err != nil {
			return nil, err
		}
	}
	return append(b, ']'), nil
}

// appendNumber appends a number in decimal notation as it is written, and any
// other (0x1F, 1_000, 007) as text, which is then refused where a number is
// wanted rather than read in a way that its author may not have meant.
func appendNumber(b []byte, s string, text bool) ([]byte, error) {
	if v := jsontext.Value(s); !text && v.IsValid() {
		return append(b, s...), nil
	}
	return jsontext.AppendQuote(b, s)
}

// memberName returns the name of a mapping's pair, which must be text.
func memberName(pair *ast.MappingValueNode, path string) (string, error) {
	switch key := pair.Key.(type) {
	case *ast.StringNode:
		return key.Value, nil
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
		return key.GetToken().Value, nil
	}
	return "", fieldError(path, describe(pair.Key), "a name and a colon")
}

// memberType returns the type of the struct member that JSON calls name, or nil.
func memberType(t reflect.Type, name string) reflect.Type {
	if t == nil || t.Kind() != reflect.Struct {
		return nil
	}
	for f := range t.Fields() {
		if jsonName(f) == name {
			return f.Type
		}
	}
	return nil
}

func jsonName(f reflect.StructField) string {
	name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
	return name
}

// describe names a kind of node in words.
func describe(n ast.Node) string {
	switch n.(type) {
	case nil, *ast.NullNode:
		return "nothing"
	case *ast.AnchorNode:
		return "an anchor (&)"
	case *ast.AliasNode:
		return "an alias (*)"
	case *ast.TagNode:
		return "a tag (!)"
	case *ast.MergeKeyNode:
		return "a merge key (<<)"
	case *ast.MappingNode:
		return "an object"
	case *ast.SequenceNode:
		return "a list"
	}
	return fmt.Sprintf("%q", n.GetToken().Value)
}

func fieldError(field, found, allowed string) error {
	return &events.ValidationError{Fields: []events.FieldError{{Field: field, Found: found, Allowed: allowed}}}
}
