package manifest

import (
	"fmt"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
)

// Profile names what a consignment's record is held against.
type Profile string

// The profiles.
const (
	General      Profile = "general"                     // what a careful note of any country holds
	EnglandWales Profile = "england-wales-transfer-note" // SI 2011/988 regulation 35(2)
	USForm       Profile = "us-hazardous-waste-manifest" // EPA form 8700-22
)

// Profiles lists the profiles.
func Profiles() []Profile { return []Profile{General, EnglandWales, USForm} }

// Known reports whether p is one of the profiles.
func (p Profile) Known() bool { return slices.Contains(Profiles(), p) }

// Title returns what people call the profile.
func (p Profile) Title() string {
	switch p {
	case EnglandWales:
		return "England and Wales waste transfer note (SI 2011/988 reg. 35(2))"
	case USForm:
		return "US uniform hazardous waste manifest (EPA form 8700-22)"
	}
	return "General record of a consignment"
}

// Item is one thing that a profile asks for.
type Item struct {
	Name   string
	Asks   string // in our words
	Source string // where the record has it from; "not held" when it never does
	Fill   string // where to fill it in when it is missing
	check  func(o Options, c *Consignment) answer
}

// answer is what the record says for an item and what it lacks; both may be given.
type answer struct{ value, lacks string }

// Missing is something that the profile asks for and the record lacks.
type Missing struct{ Item, What, Fill string }

// Items returns the table of the profile, in the order of its source.
func (p Profile) Items() []Item {
	switch p {
	case EnglandWales:
		return englandWalesItems()
	case USForm:
		return usFormItems()
	}
	return generalItems()
}

// Asks reports whether the profile binds a consignment: the US form binds only
// hazardous ones.
func (p Profile) Asks(c *Consignment) bool { return p != USForm || c.Hazardous }

// Answer is what the record of a consignment says for one item of a profile.
type Answer struct {
	Item    Item
	Value   string
	Missing string // "" when the record has it all
}

// Answers holds a consignment against the profile chosen; none when the profile
// does not bind it.
func Answers(o Options, c *Consignment) []Answer {
	o = o.withDefaults()
	if !o.Profile.Asks(c) {
		return nil
	}
	items := o.Profile.Items()
	answers := make([]Answer, len(items))
	for i, it := range items {
		a := it.check(o, c)
		answers[i] = Answer{Item: it, Value: a.value, Missing: a.lacks}
	}
	return answers
}

func missing(o Options, c *Consignment) []Missing {
	list := []Missing{}
	for _, a := range Answers(o, c) {
		if a.Missing != "" {
			list = append(list, Missing{a.Item.Name, a.Missing, a.Item.Fill})
		}
	}
	return list
}

// Where things are filled in.
const (
	inRegister = "in the register, with an effective date before the tip"
	inTip      = "by a correction of the tip"
	onPaper    = "on the paper or electronic note; the ledger does not hold it"
	inTravel   = "by entering the missing arrival or leaving"
	inDocket   = "by entering the docket when it comes"
	inDecant   = "by a correction of the decant, or the outfall's consent in the register"
)

const notHeld = "not held"

func generalItems() []Item {
	return []Item{
		{"Number", "a number that identifies the consignment", "the paper note's number in the tip, else our own", inTip, checkNumber},
		{"Origin", "each job, its site and its client", "register: jobs and clients", inRegister, checkOrigin},
		{"Description and code", "what it is, and its waste code", "register: materials", inRegister, checkCode},
		{"Classification", "who classified it and on what basis", "register: materials", inRegister, checkClassification},
		{"Quantity", "mass and volume, and on what basis", "the tank account", inTip, checkQuantity},
		{"Carrier", "name and carrier's registration", "register: carriers", inRegister, checkCarrier},
		{"Vehicle", "the truck and its number plate", "register: trucks", inRegister, checkVehicle},
		{"Driver", "who drove", "the tip's operator, else the shift's", inTip, checkDriver},
		{"Times", "left site, arrived, tipped, left facility", "the truck's travel entries", inTravel, checkTimes},
		{"Receiving facility", "name, address, permit and its validity", "register: facilities", inRegister, checkFacility},
		{"Docket", "the weighbridge's number and net mass", "the docket entered", inDocket, checkDocket},
		{"Water drained", "outfall and consent of each decant since the tank was last empty", "decants; register: outfalls", inDecant, checkDecants},
	}
}

// says is an answer that lacks nothing.
func says(format string, args ...any) answer { return answer{value: fmt.Sprintf(format, args...)} }

func checkNumber(_ Options, c *Consignment) answer { return answer{value: c.Number} }

// eachPart collects what is said and lacking of the parts shown, each text once.
func (c *Consignment) eachPart(of func(*Contribution) answer) answer {
	values, lacks := []string{}, []string{}
	add := func(list []string, s string) []string {
		if s == "" || slices.Contains(list, s) {
			return list
		}
		return append(list, s)
	}
	for i := range c.Parts {
		a := of(&c.Parts[i])
		values, lacks = add(values, a.value), add(lacks, a.lacks)
	}
	return answer{strings.Join(values, "; "), strings.Join(lacks, "; ")}
}

func checkOrigin(_ Options, c *Consignment) answer {
	return c.eachPart(func(p *Contribution) answer {
		switch {
		case p.Unheld:
			return answer{lacks: "more was tipped than the tank held: its origin is not known"}
		case p.Job == "":
			return answer{lacks: "a part is nobody's: it came into the tank without a job"}
		case p.JobEntry.Name == "":
			return answer{string(p.Job), "job " + string(p.Job) + " is not in the register"}
		case p.ClientEntry.Name == "":
			return answer{p.JobEntry.SiteAddress, "client " + string(p.Client) + " is not in the register"}
		}
		return says("%s, %s, for %s", p.Job, p.JobEntry.SiteAddress, p.ClientEntry.Name)
	})
}

func checkCode(_ Options, c *Consignment) answer {
	return c.eachPart(func(p *Contribution) answer {
		switch {
		case p.Material == "":
			return answer{}
		case p.Spoil.WasteCode == "":
			return answer{string(p.Material), "material " + string(p.Material) + " is not in the register"}
		}
		return says("%s %s", p.Spoil.WasteCode, p.Spoil.Description)
	})
}

func checkClassification(_ Options, c *Consignment) answer {
	return c.eachPart(func(p *Contribution) answer {
		switch {
		case p.Material == "":
			return answer{}
		case p.Spoil.ClassifiedBy == "":
			return answer{lacks: "nobody is named as having classified " + string(p.Material)}
		case p.Spoil.ClassificationBasis == "":
			return answer{p.Spoil.ClassifiedBy, "the basis of the classification of " + string(p.Material)}
		}
		return says("%s, %s", p.Spoil.ClassifiedBy, p.Spoil.ClassificationBasis)
	})
}

func checkQuantity(_ Options, c *Consignment) answer {
	if c.Amount.MassG() == 0 {
		return answer{lacks: "the account has nothing for this tip"}
	}
	return says("%s kg, %s m³, %s", kilograms(c.Amount.MassG()), cubicMetres(c.Amount.VolumeML), c.Basis)
}

func checkCarrier(_ Options, c *Consignment) answer {
	switch {
	case c.Carrier.Name == "":
		return answer{lacks: "the carrier is not in the register"}
	case c.Carrier.Registration == "":
		return answer{c.Carrier.Name, "the carrier's registration number"}
	}
	return says("%s, %s, registration %s", c.Carrier.Name, c.Carrier.Address, c.Carrier.Registration)
}

func checkVehicle(_ Options, c *Consignment) answer {
	if c.Plate == "" {
		return answer{string(c.Truck), "truck " + string(c.Truck) + " is not in the register"}
	}
	return says("%s, %s", c.Truck, c.Plate)
}

func checkDriver(_ Options, c *Consignment) answer {
	if c.Driver == "" {
		return answer{lacks: "neither the tip nor the shift names the driver"}
	}
	return answer{value: c.DriverName}
}

func checkTimes(_ Options, c *Consignment) answer {
	values, lacks := []string{}, []string{}
	for _, t := range []struct {
		name string
		at   events.Time
	}{{"left site", c.Journey.LeftSite}, {"arrived", c.Journey.Arrived}, {"tipped", c.Journey.Tipped}, {"left facility", c.Journey.LeftFacility}} {
		if t.at.IsZero() {
			lacks = append(lacks, t.name)
			continue
		}
		values = append(values, t.name+" "+t.at.Std().Format("2006-01-02 15:04 -07:00"))
	}
	return answer{strings.Join(values, ", "), strings.Join(lacks, ", ")}
}

func checkFacility(_ Options, c *Consignment) answer {
	f := c.Receiver
	switch {
	case !c.Known:
		return answer{string(c.Facility), "facility " + string(c.Facility) + " is not in the register"}
	case f.Permit == "":
		return answer{f.Name + ", " + f.Address, "the facility's permit"}
	case f.PermitTo == "":
		return answer{fmt.Sprintf("%s, %s, permit %s", f.Name, f.Address, f.Permit), "the last day of the facility's permit"}
	}
	return says("%s, %s, permit %s to %s", f.Name, f.Address, f.Permit, f.PermitTo)
}

func checkDocket(_ Options, c *Consignment) answer {
	switch {
	case c.Docket != nil:
		return says("%s, %s kg net", c.Docket.Number, kilograms(c.Docket.NetG))
	case !c.expectsDocket():
		return answer{value: "none expected: the facility has no weighbridge"}
	}
	return answer{lacks: "no docket has come"}
}

func checkDecants(_ Options, c *Consignment) answer {
	values, lacks := []string{}, []string{}
	for i := range c.Decants {
		d := &c.Decants[i]
		values = append(values, fmt.Sprintf("%s L to %s", litres(d.VolumeML), d.where()))
		if d.Consent == "" {
			lacks = append(lacks, fmt.Sprintf("the consent for %s L decanted to %s", litres(d.VolumeML), d.where()))
		}
	}
	if len(values) == 0 {
		return answer{value: "none"}
	}
	return answer{strings.Join(values, "; "), strings.Join(lacks, "; ")}
}

// where names the outfall as well as the record can.
func (d *Decant) where() string {
	switch {
	case d.Name != "":
		return d.Name
	case d.Outfall != "":
		return string(d.Outfall)
	}
	return "an outfall that is not named"
}

// expectsDocket reports whether a docket should come: from a facility with a
// weighbridge, and from one that the register does not know.
func (c *Consignment) expectsDocket() bool { return !c.Known || c.Receiver.WeighbridgeIntervalKg > 0 }

// kilograms, litres and cubicMetres show grams and millilitres in sentences.
func kilograms(g int64) string { return reports.Decimal(g, 3, 0) }

func litres(ml int64) string { return reports.Decimal(ml, 3, 0) }

func cubicMetres(ml int64) string { return reports.Decimal(ml, 6, 3) }
