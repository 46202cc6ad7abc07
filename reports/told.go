package reports

import (
	"fmt"
	"strings"

	"spoilbook/events/units"
)

// Amount is a quantity in a text: grams, or millilitres of spoil or water.
type Amount struct {
	Base   int64
	Unit   units.Unit // in which the report writes it
	Of     Matter     // what a volume is of
	Places int        // decimals, in that unit
}

// String writes the amount as the report does: "393.99 m³".
func (a Amount) String() string { return a.in(a.Unit, a.Places) }

func (a Amount) in(u units.Unit, places int) string {
	return grouped(u.Show(a.Base, places)) + " " + u.Symbol()
}

// Placed is an amount with the bytes of the text that it takes up, from At.
type Placed struct {
	Amount
	At, Len int
}

// OfMass is an amount of grams that a report writes in tonnes with two decimals.
func OfMass(g int64) Amount { return Amount{Base: g, Unit: units.Tonne, Places: 2} }

// OfKilograms is an amount of grams that a report writes in whole kilograms.
func OfKilograms(g int64) Amount { return Amount{Base: g, Unit: units.Kilogram} }

// OfSpoil is an amount of millilitres of spoil, written in cubic metres with two decimals.
func OfSpoil(ml int64) Amount {
	return Amount{Base: ml, Unit: units.CubicMetre, Of: SpoilMatter, Places: 2}
}

// OfWater is an amount of millilitres of water, written in whole litres.
func OfWater(ml int64) Amount { return Amount{Base: ml, Unit: units.Litre, Of: WaterMatter} }

// Told is a text that knows the amounts in it.
type Told struct {
	Text    string
	Amounts []Placed
}

// Tell writes a text as fmt.Sprintf does, with verbs %s and %d. Among the arguments
// can be amounts and texts that know theirs; the text keeps them.
func Tell(format string, args ...any) Told {
	t := Told{}
	for {
		text, rest, more := strings.Cut(format, "%")
		t.Text += text
		switch {
		case !more:
			return t
		case strings.HasPrefix(rest, "%"):
			t.Text += "%"
		default:
			t.add(args[0], rest[:1])
			args = args[1:]
		}
		format = rest[1:]
	}
}

func (t *Told) add(arg any, verb string) {
	switch x := arg.(type) {
	case Amount:
		text := x.String()
		t.Amounts = append(t.Amounts, Placed{x, len(t.Text), len(text)})
		t.Text += text
	case Told:
		for _, p := range x.Amounts {
			p.At += len(t.Text)
			t.Amounts = append(t.Amounts, p)
		}
		t.Text += x.Text
	default:
		t.Text += fmt.Sprintf("%"+verb, arg)
	}
}

// TellAll joins texts that know their amounts.
func TellAll(list []Told, separator string) Told {
	all := Told{}
	for i, t := range list {
		if i > 0 {
			all.Text += separator
		}
		all.add(t, "s")
	}
	return all
}

// Labelled is a field of the cover with the text.
func (t Told) Labelled(label string) Field {
	return Field{Label: label, Text: t.Text, Amounts: t.Amounts}
}

// Measured says the field in other units. What was in the metric unit that its
// kind of quantity has by default stays as the report wrote it.
func (f Field) Measured(m Measures) Field {
	if len(f.Amounts) == 0 {
		return f
	}
	out, last := Told{}, 0
	for _, p := range f.Amounts {
		out.Text += f.Text[last:p.At]
		last = p.At + p.Len
		text := f.Text[p.At:last]
		if u := m.chosen(p.Unit, p.Of); u != p.Unit {
			text = ShownIn(u, p.Base)
			p.Unit, p.Places = u, decimalsOf(u)
		}
		out.Amounts = append(out.Amounts, Placed{p.Amount, len(out.Text), len(text)})
		out.Text += text
	}
	out.Text += f.Text[last:]
	return out.Labelled(f.Label)
}
