package reports

import (
	"fmt"
	"math/big"
	"slices"
	"strings"

	"spoilbook/events/units"
)

// Measured returns the document in other units: columns of volumes, of masses and
// of what is made of them, with their keys, totals and pictures, and the figures at
// a glance. What stays as it is: sentences, and amounts in the units of a contract,
// a consent or an instrument, such as an invoice line in tonnes or mg/L.
//
// Each cell and each total is converted by itself, by the exact factor of package
// units, from the whole grams and millilitres of the ledger: a total is that of the
// amounts and not of what is shown of them. Between litres and cubic metres, and
// kilograms and tonnes, nothing is rounded; other units are rounded half away from
// zero to nine decimals, from which the gram or millilitre can be read again.
func (d Document) Measured(m Measures) Document {
	if m == Metric() {
		return d
	}
	glance := make([]Field, len(d.Glance))
	for i, f := range d.Glance {
		glance[i] = f.Measured(m)
	}
	d.Glance = glance
	d.Subject = append(slices.Clone(d.Subject), Field{Label: "Units", Text: "spoil " + m.Spoil.Symbol() + ", water " + m.Water.Symbol() + ", mass " + m.Mass.Symbol()})
	d.Notes = append(slices.Clone(d.Notes), MeasuredNote)
	d.Tables, d.Pictures = slices.Clone(d.Tables), slices.Clone(d.Pictures)
	for i := range d.Tables {
		before := d.Tables[i].Columns
		d.Tables[i] = d.Tables[i].measured(m)
		for k := range d.Pictures {
			if d.Pictures[k].Table == d.Tables[i].Name {
				d.Pictures[k] = d.Pictures[k].renamed(before, d.Tables[i].Columns)
			}
		}
	}
	return d
}

// MeasuredNote says on a document in other units how they came about.
const MeasuredNote = "Volumes and masses are shown in the units that were asked for. Each figure, totals too, is converted by itself with the exact factor of its unit " +
	"from the whole grams and millilitres of the ledger. Sentences, workings, and the amounts of a rate card, a consent or an instrument stay in the units they were made in."

// renamed returns the picture with its series under their new keys.
func (p Picture) renamed(before, after []Column) Picture {
	name := func(key string) string {
		if i := slices.IndexFunc(before, func(c Column) bool { return c.Key == key }); i >= 0 {
			return after[i].Key
		}
		return key
	}
	p.Category, p.Series = name(p.Category), slices.Clone(p.Series)
	for i := range p.Series {
		p.Series[i] = name(p.Series[i])
	}
	return p
}

func (t Table) measured(m Measures) Table {
	turns, some := make([]*turn, len(t.Columns)), false
	columns := slices.Clone(t.Columns)
	for i := range columns {
		if turns[i] = m.turn(&columns[i]); turns[i] != nil {
			columns[i], some = turns[i].column, true
		}
	}
	for i := range columns {
		// A table may state the same amount in a unit of its own beside.
		if turns[i] != nil && slices.ContainsFunc(t.Columns, func(c Column) bool { return c.Key == columns[i].Key }) {
			columns[i].Key += "_chosen"
		}
	}
	if !some {
		return t
	}
	cells := func(list []Cell) []Cell {
		out := slices.Clone(list)
		for i := range out {
			if turns[i] != nil && !out[i].Empty {
				out[i].Int = turns[i].of(out[i].Int)
			}
		}
		return out
	}
	rows := t.Rows
	t.Rows = func(yield func(Row) bool) {
		for r := range rows {
			r.Cells = cells(r.Cells)
			if !yield(r) {
				return
			}
		}
	}
	if t.Columns = columns; t.Totals != nil {
		t.Totals = cells(t.Totals)
	}
	return t
}

// turn changes the cells of a column into another unit.
type turn struct {
	column Column   // in the new unit
	factor *big.Rat // of a cell's number
}

// inexactScale is the decimals that cells keep where a unit is no decimal multiple
// of the column's: finer than a gram or millilitre shows in any of the units.
const inexactScale = 9

// turn returns how a column is turned into the chosen units, nil when it stays.
func (m Measures) turn(c *Column) *turn {
	if c.Kind != Number {
		return nil
	}
	over, under, composed := strings.Cut(c.Unit, "/")
	from, to, ok := m.part(over, c.Of)
	if !ok {
		return nil
	}
	factor := new(big.Rat).Quo(from.Factor(), to.Factor())
	next := *c
	next.Unit, next.Key = to.Symbol(), rekeyed(c.Key, keyOf(from), keyOf(to))
	changed := from != to
	if composed {
		symbol, was, is := under, under, under
		if per, perTo, known := m.part(under, Implied); known {
			factor.Mul(factor, new(big.Rat).Quo(perTo.Factor(), per.Factor()))
			symbol, was, is, changed = perTo.Symbol(), keyOf(per), keyOf(perTo), changed || per != perTo
		} else if under != "h" {
			return nil
		}
		next.Unit += "/" + symbol
		next.Key = rekeyed(c.Key, keyOf(from)+"_per_"+was, keyOf(to)+"_per_"+is)
		if stem, found := strings.CutSuffix(c.Key, keyOf(from)+"_"+was); found {
			next.Key = stem + keyOf(to) + "_" + is
		}
	}
	if !changed {
		return nil
	}
	next.settle(c, factor, from, to, composed)
	// A cell counts units of 10^-Scale, before and after.
	factor.Mul(factor, new(big.Rat).SetFrac(pow10(next.Scale), pow10(c.Scale)))
	return &turn{column: next, factor: factor}
}

// settle sets how finely a column in a new unit is kept and shown.
func (c *Column) settle(before *Column, factor *big.Rat, from, to units.Unit, composed bool) {
	switch {
	case composed:
		for size := new(big.Rat).Set(factor); size.Cmp(big.NewRat(2, 10)) < 0; size.Mul(size, big.NewRat(10, 1)) {
			c.Decimals++
		}
	case decimalsOf(to) == 0:
		c.Decimals = 0
	case decimalsOf(from) == 0:
		c.Decimals = 3
	}
	if c.Down {
		c.Scale = c.Decimals
		return
	}
	places, exact := factor.FloatPrec()
	if exact && places+before.Scale <= inexactScale {
		c.Scale = max(before.Scale+places-tens(factor), c.Decimals)
		return
	}
	c.Scale, c.Rounded = inexactScale, true
}

// tens returns how many times ten a factor is, as far as it is nothing else: 3 for a thousand.
func tens(factor *big.Rat) int {
	for n := 1; n < inexactScale; n++ {
		if factor.Cmp(new(big.Rat).SetInt(pow10(n))) == 0 {
			return n
		}
	}
	return 0
}

// part finds the unit with a symbol and the one that is chosen for it.
func (m Measures) part(symbol string, of Matter) (from, to units.Unit, ok bool) {
	for _, u := range []units.Unit{units.CubicMetre, units.Litre, units.Kilogram, units.Tonne} {
		if u.Symbol() == symbol {
			return u, m.chosen(u, of), true
		}
	}
	return 0, 0, false
}

// chosen returns the unit chosen for amounts that a report writes in u. Where the
// metric unit was kept, a report's own choice, such as tonnes, stays.
func (m Measures) chosen(u units.Unit, of Matter) units.Unit {
	kept, chosen := Metric().Spoil, m.Spoil
	switch {
	case u.BaseSymbol() == units.Kilogram.BaseSymbol():
		kept, chosen = Metric().Mass, m.Mass
	case of == WaterMatter, of == Implied && u == units.Litre:
		kept, chosen = Metric().Water, m.Water
	}
	if chosen == kept {
		return u
	}
	return chosen
}

// keyOf is how a unit ends a column's key.
func keyOf(u units.Unit) string { return strings.ReplaceAll(u.Name(), "-", "_") }

// rekeyed returns a key that ends in the one unit with the other instead.
func rekeyed(key, was, is string) string {
	if stem, ok := strings.CutSuffix(key, "_"+was); ok {
		return stem + "_" + is
	}
	return key + "_" + is
}

// of converts a cell's number, rounded half away from zero, or down.
func (t *turn) of(v int64) int64 {
	exact := new(big.Rat).Mul(new(big.Rat).SetInt64(v), t.factor)
	var n *big.Int
	if t.column.Down {
		n = new(big.Int).Div(exact.Num(), exact.Denom())
	} else {
		n, _ = new(big.Int).SetString(exact.FloatString(0), 10)
	}
	if !n.IsInt64() {
		panic(fmt.Sprintf("reports: %d in column %s is more than can be held in its unit", v, t.column.Key))
	}
	return n.Int64()
}

func pow10(n int) *big.Int { return new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(n)), nil) }
