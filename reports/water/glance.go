package water

import (
	"fmt"
	"strings"

	"spoilbook/reports"
)

// glance says what people ask of the water first. Its figures are the totals of the
// tables.
func (r *Report) glance() []reports.Field {
	t := &r.Totals
	fields := []reports.Field{
		parts(t.DrawnML(), []amount{{"mains", t.MainsML}, {"bore", t.BoreML}, {"surface", t.SurfaceML}, {"yard", t.YardML},
			{"recycled", t.RecycledML}, {"other", t.OtherSourceML}}).Labelled("Drawn"),
		{Label: "Recycled share", Text: r.recycled()},
		parts(t.UsedML(), []amount{{"jetting", t.JettingML}, {"washing", t.WashingML}, {"flushing", t.FlushingML},
			{"dust", t.DustML}, {"other", t.OtherUseML}}).Labelled("Used"),
		r.perBank().Labelled("Jetting"),
		reports.Tell("%s in %s to %s", reports.OfWater(t.DecantedML), reports.Counted(len(r.Decants), "decant"),
			reports.Counted(len(r.outfallSums()), "outfall")).Labelled("Decanted"),
		{Label: "Daily caps", Text: r.caps()},
		{Label: "Consents", Text: r.consents()},
	}
	return fields
}

type amount struct {
	name string
	ml   int64
}

// parts writes a sum and those of its parts that are not zero.
func parts(sum int64, of []amount) reports.Told {
	list := []reports.Told{}
	for _, a := range of {
		if a.ml != 0 {
			list = append(list, reports.Tell("%s %s", a.name, reports.OfWater(a.ml)))
		}
	}
	if len(list) == 0 {
		return reports.Tell("%s", reports.OfWater(sum))
	}
	return reports.Tell("%s: %s", reports.OfWater(sum), reports.TellAll(list, ", "))
}

func (r *Report) recycled() string {
	if r.Totals.DrawnML() <= 0 {
		return "nothing was drawn"
	}
	return reports.Percent(r.Totals.RecycledML, r.Totals.DrawnML())
}

func (r *Report) perBank() reports.Told {
	b := BankWater{JettingML: r.Totals.BankJets, BankML: r.Totals.BankML}
	v, ok := b.LitresPerM3Thousandths()
	if !ok {
		return reports.Tell("no bank volume is known")
	}
	return reports.Tell("%s for each bank m³, over %s of known bank volume", reports.OfWater(v), reports.OfSpoil(b.BankML))
}

func (r *Report) caps() string {
	bound, over := 0, 0
	for i := range r.Sources {
		if r.Sources[i].CapML > 0 {
			bound++
		}
		if r.Sources[i].Over() {
			over++
		}
	}
	switch {
	case bound == 0:
		return "no source has one"
	case over == 0:
		return "kept on all days"
	}
	return "exceeded on " + reports.Counted(over, "day") + " of a source"
}

func (r *Report) consents() string {
	without, beyond, days, weeks := 0, 0, 0, 0
	for i := range r.Decants {
		switch d := &r.Decants[i]; {
		case d.Consent == "":
			without++
		case d.Exceeds:
			beyond++
		}
	}
	for i := range r.Outfalls {
		if r.Outfalls[i].Over() {
			days++
		}
	}
	for i := range r.Weeks {
		if r.Weeks[i].Over() {
			weeks++
		}
	}
	list := []string{}
	for _, x := range []struct {
		n         int
		one, many string
	}{
		{without, "decant without a consent", "decants without a consent"}, {beyond, "decant beyond a limit", "decants beyond a limit"},
		{days, "day over a daily limit", "days over a daily limit"}, {weeks, "week over a turbidity limit", "weeks over a turbidity limit"},
	} {
		switch {
		case x.n == 1:
			list = append(list, "1 "+x.one)
		case x.n > 1:
			list = append(list, fmt.Sprintf("%d %s", x.n, x.many))
		}
	}
	switch {
	case len(list) > 0:
		return strings.Join(list, ", ")
	case len(r.Decants) == 0:
		return "nothing was decanted"
	}
	return "every decant within the limits that were measured"
}
