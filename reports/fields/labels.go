package fields

import "spoilbook/events"

// label is how a member is asked for. For a list the unit is what one of its items is called.
type label struct {
	label, unit string
	scale       int
	date        bool
}

// labelOf returns the label of a member, by its path within an entry of a register.
func labelOf(r events.Register, path string) label {
	if l, ok := special()[string(r)+":"+path]; ok {
		return l
	}
	l, ok := labels()[path]
	if !ok {
		panic("fields: no label for " + string(r) + " " + path)
	}
	return l
}

// special are labels of members that mean something else in one register.
func special() map[string]label {
	return map[string]label{
		"truck:registration":   {label: "Number plate"},
		"carrier:registration": {label: "Waste carrier's registration"},
		"job:name":             {label: "What the job is called"},
		"outfall:to":           {label: "Where the water goes"},
	}
}

func labels() map[string]label {
	return map[string]label{
		"name": {label: "Name"}, "address": {label: "Address"}, "taxNumber": {label: "Tax number"}, "phone": {label: "Telephone"}, "carrier": {label: "Carrier"},
		"debrisCapacityL": {label: "Debris tank holds", unit: "L"}, "freshCapacityL": {label: "Fresh-water tank holds", unit: "L"}, "tareKg": {label: "Tare, both tanks empty", unit: "kg"},
		"permittedGrossKg": {label: "Permitted gross mass", unit: "kg"}, "levelTolerancePermille": {label: "Tolerance of the tank gauge", unit: "%", scale: 1}, "dumpMinutes": {label: "Usual full dump", unit: "min"},
		"axles": {label: "Axles", unit: "axle"}, "axles.name": {label: "Name"}, "axles.fromFrontMM": {label: "Behind the front axle", unit: "mm"}, "axles.tareKg": {label: "Tare", unit: "kg"}, "axles.permittedKg": {label: "Permitted", unit: "kg"},
		"debrisTankFromFrontMM": {label: "Centre of the debris load behind the front axle", unit: "mm"}, "freshTankFromFrontMM": {label: "Centre of the fresh water behind the front axle", unit: "mm"},
		"debrisTankDiameterMM": {label: "Inner diameter of the debris tank", unit: "mm"}, "debrisTankLengthMM": {label: "Inner length of the debris tank", unit: "mm"},
		"debrisStrapping": {label: "Debris tank by level", unit: "level"}, "debrisStrapping.levelMM": {label: "Level", unit: "mm"}, "debrisStrapping.volumeL": {label: "Holds", unit: "L"},
		"freshStrapping": {label: "Fresh-water tank by level", unit: "level"}, "freshStrapping.levelMM": {label: "Level", unit: "mm"}, "freshStrapping.volumeL": {label: "Holds", unit: "L"},
		"card": {label: "Number of the licence or card"}, "contact": {label: "Contact"}, "client": {label: "Client"}, "siteAddress": {label: "Address of the site"}, "orderNumber": {label: "Order number"},
		"timeZone": {label: "Time zone"}, "rateCard": {label: "Rate card"}, "material": {label: "Material that is expected"}, "industryCode": {label: "Industry code of where the waste arises"},
		"description": {label: "Description"}, "wasteCode": {label: "Waste code"}, "hazardous": {label: "Hazardous"}, "classifiedBy": {label: "Classified by"}, "classificationBasis": {label: "On what basis"},
		"particleDensityKgPerM3": {label: "Density of the particles", unit: "kg/m³"}, "slurryDensityKgPerM3": {label: "Usual density of the slurry", unit: "kg/m³"}, "bankDensityKgPerM3": {label: "Density in the ground", unit: "kg/m³"},
		"moisturePermille": {label: "Moisture in the ground, water over dry solids", unit: "%", scale: 1}, "bedVoidRatioPermille": {label: "Void ratio of the settled bed", scale: 3},
		"class": {label: "Kind of facility"}, "permit": {label: "Permit"}, "permitFrom": {label: "Permit from", date: true}, "permitTo": {label: "Permit's last day", date: true}, "acceptedCodes": {label: "Waste codes that it accepts"},
		"weighbridgeIntervalKg": {label: "Scale interval of the weighbridge", unit: "kg"}, "gateFeePerTonne": {label: "Gate fee per tonne"}, "currency": {label: "Currency"},
		"use": {label: "Kind of source"}, "meter": {label: "Meter"}, "meterTolerancePermille": {label: "Tolerance of the meter", unit: "%", scale: 1}, "dailyCapL": {label: "At most in a day", unit: "L"}, "backflowRequired": {label: "Backflow device required"},
		"consent": {label: "Consent"}, "consentFrom": {label: "Consent from", date: true}, "consentTo": {label: "Consent's last day", date: true}, "dailyLimitL": {label: "At most in a day", unit: "L"}, "turbidityLimitNTU": {label: "Turbidity at most", unit: "NTU"},
		"turbidityWeeklyAverage": {label: "Turbidity as the week's mean"}, "suspendedSolidsLimitMGPerL": {label: "Suspended solids at most", unit: "mg/L"}, "pHMinHundredths": {label: "pH at least", scale: 2}, "pHMaxHundredths": {label: "pH at most", scale: 2},
		"rates": {label: "Hourly rates", unit: "rate"}, "rates.activity": {label: "Activity"}, "rates.hourlyRate": {label: "An hour"},
		"bands": {label: "Parts of the week", unit: "part"}, "bands.name": {label: "Name"}, "bands.days": {label: "Days"}, "bands.from": {label: "From"}, "bands.to": {label: "To"}, "bands.multiplier": {label: "Times the rate"},
		"minimum.minutes": {label: "Least time billed", unit: "min"}, "minimum.per": {label: "Least time for each"}, "rounding.incrementMinutes": {label: "Time rounded to", unit: "min"}, "rounding.mode": {label: "Rounded how"}, "rounding.per": {label: "Rounded for each"},
		"freeStandbyMinutes": {label: "Standby free of charge, a visit", unit: "min"}, "travelCapMinutes": {label: "Travel billed at most, a visit", unit: "min"}, "carrierBears": {label: "Standby that the carrier bears"}, "carrierBearsStops": {label: "Stops that the carrier bears"},
		"spoil.per": {label: "Disposal by the"}, "spoil.rate": {label: "Disposal"}, "gateFees.passOn": {label: "Gate fees are passed on"}, "gateFees.markupPercent": {label: "Mark-up on gate fees", unit: "%"}, "waterPerKL": {label: "Fresh water per 1,000 litres"},
		"fees": {label: "Fixed fees", unit: "fee"}, "fees.name": {label: "Name"}, "fees.amount": {label: "Amount"}, "fees.per": {label: "For each"}, "calendar": {label: "Calendar of holidays"}, "tax": {label: "Tax"}, "taxPer": {label: "Tax reckoned by"},
		"moneyRounding": {label: "Money rounded"}, "holidays": {label: "Public holidays", unit: "holiday"}, "holidays.date": {label: "Day", date: true}, "holidays.name": {label: "Name"}, "ratePercent": {label: "Rate", unit: "%"},
	}
}
