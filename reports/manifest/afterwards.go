package manifest

import (
	"cmp"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/register"
)

// checkReclassified finds that the classification of a material which a consignment
// holds changed after the tip: by a revision that took effect later, or by one that was
// entered later and takes effect before. The consignment has the code in force at the
// tip, as the ledger has it now.
func (b *builder) checkReclassified(c *Consignment) {
	told := map[events.MaterialID]bool{}
	for i := range c.Parts {
		p := &c.Parts[i]
		if p.Material == "" || p.Unheld || told[p.Material] {
			continue
		}
		told[p.Material] = true
		at, ok := b.j.Book.At(events.MaterialRegister, string(p.Material), c.at)
		if !ok {
			continue
		}
		history := b.j.Book.History(events.MaterialRegister, string(p.Material))
		if later, ok := nextClassification(history, at, c.at); ok {
			b.reclassified(c, p, later, at.Document, later.Document, "took effect after the tip, on "+b.q.Period.Day(later.From))
		}
		if was, ok := enteredLater(history, at, c.Cites[0]); ok {
			b.reclassified(c, p, at, was.Document, at.Document, "took effect before the tip and was entered after it; the consignment has the new code")
		}
	}
}

// reclassified finds a change of classification, a serious one when it is about being
// hazardous.
func (b *builder) reclassified(c *Consignment, p *Contribution, by register.Revision, was, is events.Document, when string) {
	code := reports.ReclassifiedAfter
	old, _ := was.(events.Material)
	now, _ := is.(events.Material)
	if old.Hazardous != now.Hazardous {
		code = reports.HazardReclassified
	}
	b.find(code, c, append(slices.Clone(p.Cites), by.Position), "the change of material %s from %s to %s %s", p.Material, codeWords(old), codeWords(now), when)
}

// nextClassification returns the first revision that takes effect after a time and
// changes the classification.
func nextClassification(history []register.Revision, at register.Revision, tipped events.Time) (register.Revision, bool) {
	for i, r := range history {
		superseded := i+1 < len(history) && history[i+1].From.UnixMS == r.From.UnixMS
		if !superseded && tipped.Before(r.From) && classifiedOtherwise(r.Document, at.Document) {
			return r, true
		}
	}
	return register.Revision{}, false
}

// enteredLater returns what a revision in force replaced, when it came into the ledger
// after an entry and changes the classification that stood there until then.
func enteredLater(history []register.Revision, at register.Revision, entry uint64) (register.Revision, bool) {
	if at.Position < entry {
		return register.Revision{}, false
	}
	before := register.Revision{}
	for _, r := range history {
		if !at.From.Before(r.From) && r.Position < entry {
			before = r
		}
	}
	return before, before.Document != nil && classifiedOtherwise(before.Document, at.Document)
}

func classifiedOtherwise(x, y events.Document) bool {
	a, _ := x.(events.Material)
	b, _ := y.(events.Material)
	return plainCode(a.WasteCode) != plainCode(b.WasteCode) || a.Hazardous != b.Hazardous
}

func codeWords(m events.Material) string {
	if m.Hazardous {
		return m.WasteCode + ", hazardous"
	}
	return m.WasteCode + ", not hazardous"
}

// checkMirrors finds, once for each material, that its code is one of a mirror pair and
// that nobody is named as having assessed it, or on no basis.
func (b *builder) checkMirrors() {
	index := map[events.MaterialID]int{}
	for i := range b.r.Consignments {
		c := &b.r.Consignments[i]
		for k := range c.Parts {
			p := &c.Parts[k]
			w, listed := WasteOf(p.Spoil.WasteCode)
			if !listed || w.Mirror == "" || p.Spoil.ClassifiedBy != "" && p.Spoil.ClassificationBasis != "" {
				continue
			}
			at, ok := index[p.Material]
			if !ok {
				at = len(b.r.Findings)
				index[p.Material] = at
				lacks := "nobody is named as having assessed it"
				if p.Spoil.ClassifiedBy != "" {
					lacks = "no basis of the assessment is recorded"
				}
				b.r.Findings = append(b.r.Findings, reports.NewFinding(reports.MirrorNotAssessed, "", c.at, nil,
					"material %s has code %s, whose mirror entry is %s, and %s", p.Material, w.Code, w.Mirror, lacks))
			}
			b.r.Findings[at].Cites = b.j.Cited(b.r.Findings[at].Cites, c.Cites)
		}
	}
}

// checkPlates finds, once for each pair, trucks of the register that have or had the
// number plate of a truck with a consignment here.
func (b *builder) checkPlates() {
	told := map[[2]string]bool{}
	byPlate := b.plates()
	for i := range b.r.Consignments {
		c := &b.r.Consignments[i]
		for _, shared := range byPlate[plainPlate(c.Plate)] {
			pair := [2]string{min(string(c.Truck), shared.key), max(string(c.Truck), shared.key)}
			if shared.key == string(c.Truck) || told[pair] {
				continue
			}
			told[pair] = true
			other := shared.first
			if now, ok := b.j.Book.At(events.TruckRegister, shared.key, c.at); ok && plateOf(now) == plateOf(other) {
				other = now
			}
			b.find(reports.PlateShared, c, []uint64{other.Position}, "truck %s has number plate %s, %s truck %s", c.Truck, c.Plate, plateWhen(b, other, c), shared.key)
		}
	}
}

// plated is a truck that has, or had, a number plate, with the first revision that says so.
type plated struct {
	key   string
	first register.Revision
}

// plates returns the trucks of the register by their plates, in the order of their keys.
func (b *builder) plates() map[string][]plated {
	byPlate := map[string][]plated{}
	for _, key := range b.j.Book.Keys(events.TruckRegister) {
		seen := map[string]bool{"": true}
		for _, r := range b.j.Book.History(events.TruckRegister, key) {
			if plate := plateOf(r); !seen[plate] {
				seen[plate] = true
				byPlate[plate] = append(byPlate[plate], plated{key, r})
			}
		}
	}
	return byPlate
}

// plateOf returns the number plate of a truck's revision, as plates are compared.
func plateOf(r register.Revision) string {
	t, ok := r.Document.(events.Truck)
	if !ok {
		return ""
	}
	return plainPlate(t.Registration)
}

func plateWhen(b *builder, other register.Revision, c *Consignment) string {
	now, ok := b.j.Book.At(events.TruckRegister, other.Key, c.at)
	switch {
	case ok && now.Position == other.Position:
		return "which at that time is also that of"
	case c.at.Before(other.From):
		return "which from " + b.q.Period.Day(other.From) + " on is that of"
	}
	return "which from " + b.q.Period.Day(other.From) + " on was that of"
}

func plainPlate(plate string) string { return strings.ToUpper(plateMarks.Replace(plate)) }

// plateMarks are what people write between the letters and digits of a plate, or leave out.
var plateMarks = strings.NewReplacer(" ", "", "-", "", ".", "")

func trimmed(s string) string { return strings.TrimSpace(s) }

// dueDate returns by when a significant discrepancy of a consignment must be
// reconciled or reported: the given days after the waste was received.
func (c *Consignment) dueDate(days int) string {
	if c.Docket == nil || !c.Docket.Significant {
		return ""
	}
	return dayAfter(cmp.Or(c.Docket.WeighedAt, c.at), days)
}
