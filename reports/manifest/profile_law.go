package manifest

import (
	"fmt"
	"strings"
)

// englandWalesItems are the particulars of regulation 35(2) of the Waste (England
// and Wales) Regulations 2011, SI 2011/988, for the transfer from the carrier's
// truck to the facility.
func englandWalesItems() []Item {
	return []Item{
		{"Waste code and description", "the code of the List of Wastes and a description", "register: materials", inRegister, checkCode},
		{"Quantity", "how much is transferred", "the tank account", inTip, checkQuantity},
		{"Loose or contained", "whether loose or in a container, and the kind of container", "the truck", inTip, checkContainer},
		{"Time and place", "time and place of the transfer", "the tip; register: facilities", inRegister, checkTransfer},
		{"Transferor's SIC code", "the standard industrial classification code of the transferor", "register: jobs, industry code", inRegister, checkIndustry},
		{"Names and addresses", "name and address of transferor and transferee", "register: clients, carriers, facilities", inRegister, checkParties},
		{"Signatures", "signature of transferor and transferee", notHeld, onPaper, lacking("the signatures of transferor and transferee")},
		{"Capacity", "in which capacity each acts, with permit, carrier's or broker's number", "register: carriers, facilities", inRegister, checkCapacity},
		{"Waste hierarchy", "the transferor's declaration that the waste hierarchy was applied", notHeld, onPaper, lacking("the declaration")},
	}
}

// lacking is the check of an item that the ledger never holds.
func lacking(what string) func(Options, *Consignment) answer {
	return func(Options, *Consignment) answer { return answer{lacks: what} }
}

func checkContainer(_ Options, c *Consignment) answer {
	return says("contained: bulk slurry in the debris tank of vacuum-excavation truck %s", c.Truck)
}

func checkTransfer(_ Options, c *Consignment) answer {
	at := c.Journey.Tipped.Std().Format("2006-01-02 15:04 -07:00")
	if !c.Known {
		return answer{at, "the address of facility " + string(c.Facility)}
	}
	return says("%s, %s", at, c.Receiver.Address)
}

func checkIndustry(_ Options, c *Consignment) answer {
	return c.eachPart(func(p *Contribution) answer {
		switch {
		case p.Job == "":
			return answer{}
		case p.JobEntry.IndustryCode == "":
			return answer{lacks: "the industry code of job " + string(p.Job)}
		}
		return answer{value: p.JobEntry.IndustryCode}
	})
}

func checkParties(o Options, c *Consignment) answer {
	from := c.eachPart(func(p *Contribution) answer {
		switch {
		case p.Job == "":
			return answer{}
		case p.ClientEntry.Name == "":
			return answer{lacks: "the client of job " + string(p.Job)}
		}
		return says("%s, %s", p.ClientEntry.Name, p.ClientEntry.Address)
	})
	values, lacks := []string{"from " + from.value}, []string{}
	if from.lacks != "" {
		lacks = append(lacks, from.lacks)
	}
	if c.Carrier.Name == "" {
		lacks = append(lacks, "the carrier")
	} else {
		values = append(values, "carried by "+c.Carrier.Name+", "+c.Carrier.Address)
	}
	if !c.Known {
		lacks = append(lacks, "facility "+string(c.Facility))
	} else {
		values = append(values, "to "+c.Receiver.Name+", "+c.Receiver.Address)
	}
	return answer{strings.Join(values, "; "), strings.Join(lacks, "; ")}
}

func checkCapacity(o Options, c *Consignment) answer {
	carrier, facility := checkCarrier(o, c), answer{value: "permit " + c.Receiver.Permit}
	if c.Receiver.Permit == "" {
		facility = answer{lacks: "the permit of facility " + string(c.Facility)}
	}
	lacks := []string{}
	for _, l := range []string{carrier.lacks, facility.lacks} {
		if l != "" {
			lacks = append(lacks, l)
		}
	}
	return answer{fmt.Sprintf("carrier: %s; facility: %s", carrier.value, facility.value), strings.Join(lacks, "; ")}
}

// usFormItems are the items of EPA form 8700-22: 1 and 5 to 15 by the form's
// instructions, 17 to 20 from memory. The form numbers, pages and emergency phone
// of items 2 to 4 and international shipments of item 16 are the form's own.
func usFormItems() []Item {
	return []Item{
		{"1 Generator's ID", "the generator's EPA identification number", notHeld, onPaper, lacking("the generator's identification number")},
		{"5 Generator", "name, mailing address, site address and phone", "register: clients and jobs", inRegister, checkGenerator},
		{"6-7 Transporters", "company name and EPA identification number", "register: carriers", inRegister, checkCarrier},
		{"8 Designated facility", "name, site address, phone and EPA identification number", "register: facilities", inRegister, checkFacility},
		{"9 Description", "shipping description", "register: materials", inRegister, checkCode},
		{"10 Containers", "number and kind of container", "the truck: one cargo tank, TT", inTip, checkTankCode},
		{"11 Quantity", "total quantity in whole units", "the tank account", inTip, checkWholeQuantity},
		{"12 Unit", "unit letter: G, L (liquids only), K, M, N, P, T or Y", "kilograms, K", inTip, checkUnit},
		{"13 Waste codes", "up to six waste codes", "register: materials", inRegister, checkWasteCodes},
		{"14 Special handling", "special handling instructions and further information", notHeld, onPaper, lacking("special handling instructions, or none")},
		{"15 Generator's certification", "the generator's signed certification", notHeld, onPaper, lacking("the generator's signature")},
		{"17 Transporter's receipt", "the transporter's signed acknowledgement", notHeld, onPaper, lacking("the transporter's signature")},
		{"18 Discrepancy", "difference in quantity, kind, residue, rejection", "the docket", inDocket, checkDiscrepancy},
		{"19 Management method codes", "the facility's method code for each waste", notHeld, onPaper, lacking("the method codes")},
		{"20 Facility's certification", "the facility's signed certification of receipt", notHeld, onPaper, lacking("the facility's signature")},
	}
}

func checkGenerator(_ Options, c *Consignment) answer {
	return c.eachPart(func(p *Contribution) answer {
		switch {
		case p.Job == "":
			return answer{}
		case p.JobEntry.SiteAddress == "" || p.ClientEntry.Name == "":
			return answer{lacks: "the site or the client of job " + string(p.Job)}
		case p.ClientEntry.Contact == "":
			return answer{p.ClientEntry.Name + ", " + p.ClientEntry.Address + ", site " + p.JobEntry.SiteAddress,
				"the phone of client " + string(p.Client)}
		}
		return says("%s, %s, site %s, %s", p.ClientEntry.Name, p.ClientEntry.Address, p.JobEntry.SiteAddress, p.ClientEntry.Contact)
	})
}

func checkTankCode(Options, *Consignment) answer { return answer{value: "1 TT"} }

func checkUnit(Options, *Consignment) answer { return answer{value: string(Kilograms)} }

func checkWholeQuantity(_ Options, c *Consignment) answer {
	if c.Amount.MassG() == 0 {
		return answer{lacks: "the account has nothing for this tip"}
	}
	whole, err := FormQuantity(c.Amount, Kilograms, false)
	if err != nil {
		return answer{lacks: err.Error()}
	}
	return says("%d", whole)
}

// maxFormCodes is how many waste codes item 13 has room for.
const maxFormCodes = 6

func checkWasteCodes(_ Options, c *Consignment) answer {
	a := c.eachPart(func(p *Contribution) answer {
		switch {
		case p.Material == "":
			return answer{}
		case p.Spoil.WasteCode == "":
			return answer{lacks: "the waste code of " + string(p.Material)}
		}
		return answer{value: p.Spoil.WasteCode}
	})
	if n := strings.Count(a.value, "; ") + 1; n > maxFormCodes {
		a.lacks = fmt.Sprintf("%d codes; the form has room for %d: use a continuation", n, maxFormCodes)
	}
	return a
}

// checkDiscrepancy answers item 18 and says until when a significant one must be
// reconciled: 15 days from receipt (40 CFR 264.72(c)); a rule of 2024 made it 20
// (from memory), which is why the number is an option.
func checkDiscrepancy(o Options, c *Consignment) answer {
	switch {
	case c.Docket == nil:
		return answer{lacks: "no docket has come to compare with"}
	case !c.Docket.Significant:
		return says("none significant: %s kg net against %s kg", kilograms(c.Docket.NetG), kilograms(c.Amount.MassG()))
	}
	return answer{fmt.Sprintf("%s kg net against %s kg", kilograms(c.Docket.NetG), kilograms(c.Amount.MassG())),
		fmt.Sprintf("a significant discrepancy, to be reconciled by %s or reported", dayAfter(c.Docket.WeighedAt, o.ReconcileDays))}
}
