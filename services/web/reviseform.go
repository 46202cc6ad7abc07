package web

import (
	"fmt"
	"strings"

	"spoilbook/events"
	"spoilbook/reports/fields"
	"spoilbook/reports/register"
)

// formView makes the fields of a form.
type formView struct {
	manners
	book   *register.Book
	at     events.Time
	wrong  map[string]string
	values map[string]string
	placed map[string]bool
}

func (f *formView) field(d *fields.Field, path string, inList bool) fieldView {
	if f.placed == nil {
		f.placed = map[string]bool{}
	}
	f.placed[path] = true
	v := fieldView{Name: "v." + path, Label: f.Tongue.Say(d.Label), Unit: d.Unit, Value: f.values[path], Error: f.wrong[path], Needed: d.Needed, Kind: "text"}
	switch d.Kind {
	case fields.Whole, fields.Amount:
		v.Kind = "number"
	case fields.Date:
		v.Kind = "date"
	case fields.YesNo:
		v.Kind = "tick"
	case fields.Choice:
		v.Kind, v.Options = "choice", f.options(d.Choices, v.Value)
	case fields.Words:
		v.Hint = f.Tongue.Say("several with commas between them")
		if d.Choices != nil {
			v.Hint = strings.Join(d.Choices, ", ")
		}
		if d.Choices != nil && !inList {
			v.Kind = "ticks"
			chosen := map[string]bool{}
			for part := range strings.SplitSeq(v.Value, ",") {
				chosen[strings.TrimSpace(part)] = true
			}
			for _, c := range d.Choices {
				v.Options = append(v.Options, optionView{c, f.Tongue.Say(strings.ReplaceAll(c, "-", " ")), chosen[c]})
			}
		}
	case fields.Key:
		if keys := f.book.Keys(d.Register); len(keys) <= offeredKeys {
			v.Kind, v.Options = "choice", f.keys(d.Register, keys, v.Value)
		}
	}
	return v
}

func (f *formView) options(words []string, value string) []optionView {
	list := []optionView{{"", "–", value == ""}}
	for _, word := range words {
		list = append(list, optionView{word, f.Tongue.Say(strings.ReplaceAll(word, "-", " ")), word == value})
	}
	return list
}

// keys offers the entries of a register that are in force, and what stands there now.
func (f *formView) keys(r events.Register, keys []string, value string) []optionView {
	list, there := []optionView{{"", "–", value == ""}}, value == ""
	for _, key := range keys {
		rev, ok := f.book.At(r, key, f.at)
		if !ok {
			continue
		}
		there = there || key == value
		list = append(list, optionView{key, key + " · " + nameOf(rev.Document), key == value})
	}
	if !there {
		list = append(list, optionView{value, value, true})
	}
	return list
}

func (f *formView) group(g *fields.Group, more string) groupView {
	v := groupView{Path: g.Path, Label: f.Tongue.Say(g.Label), Item: f.Tongue.Say(g.Item)}
	for i := range g.Fields {
		head := f.Tongue.Say(g.Fields[i].Label)
		if u := g.Fields[i].Unit; u != "" {
			head += " (" + u + ")"
		}
		v.Heads = append(v.Heads, head)
	}
	rows := g.Items(f.values) + blankItems
	if rows > maxItemRows {
		v.Long = f.Tongue.Say("This list has %d lines. It is revised in the workbook of the register; what is changed here leaves it as it is.", rows-blankItems)
		for n := range rows {
			for i := range g.Fields {
				path := fields.ItemPath(g.Path, n, g.Fields[i].Path)
				if text := f.values[path]; text != "" {
					v.Hidden = append(v.Hidden, hiddenView{"v." + path, text})
				}
			}
		}
		return v
	}
	if more == g.Path {
		rows += moreItems
	}
	for n := range rows {
		row := []fieldView{}
		for i := range g.Fields {
			one := f.field(&g.Fields[i], fields.ItemPath(g.Path, n, g.Fields[i].Path), true)
			one.Label = fmt.Sprintf("%s %d: %s", v.Label, n+1, v.Heads[i])
			row = append(row, one)
		}
		v.Rows = append(v.Rows, row)
	}
	return v
}
