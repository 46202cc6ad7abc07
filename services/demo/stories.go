package demo

import (
	"spoilbook/events"
	"spoilbook/reports"
)

// Story tells one ugly day and where the reports show it.
type Story struct {
	Day   string // local date
	Truck events.TruckID
	Title string
	Text  string
	Look  []Look
}

// Look is one place where a story shows.
type Look struct {
	Report string       // "manifest", "water", "timesplit", "billable", "care", "stops" or "axles"
	Code   reports.Code // the finding; empty when a figure shows it
	What   string       // what to look for
}

// Stories returns the ugly days by date and truck.
func Stories() []Story {
	return append(append(firstHalf(), middle()...), secondHalf()...)
}

func firstHalf() []Story {
	return []Story{
		{"2026-10-02", "TM-01", "Two jobs in one tank",
			"Two loads at Mill Lane, then two at Weir Bridge on top of them, tipped together.",
			[]Look{{"manifest", "", "consignment TG01-0003 is shared between J-101 and J-103 by mass"}}},
		{"2026-10-05", "TM-01", "A typing mistake, put right",
			"The second load was typed 2 m³ too large, lighter than water. The office corrected it the next morning.",
			[]Look{
				{"manifest", reports.ImpossibleDensity, "in a report up to a position before the correction"},
				{"manifest", "", "no finding at the end; the load cites the entry and its correction"}}},
		{"2026-10-06", "TM-03", "A decant that saves a trip",
			"Five loads went into one tank because settled water was drained twice on the way.",
			[]Look{{"timesplit", "", "the replay without decants needs one trip more on this day"}}},
		{"2026-10-07", "TM-02", "Left in the tank overnight",
			"The client's second pit was marked out three hours late; the facility had shut. The load stayed in the tank and was tipped the next morning.",
			[]Look{
				{"manifest", reports.LoadNotTipped, "in a report that ends on 7 October"},
				{"billable", "", "three hours of standby less the free minutes"}}},
		{"2026-10-08", "TM-01", "A docket 14 % off",
			"The weighbridge docket says 14 % more than was loaded by volume and mass.",
			[]Look{{"manifest", reports.DocketOverTenPercent, "the docket and the account side by side; the difference is in unaccounted"}}},
		{"2026-10-09", "TM-03", "A docket ten days late",
			"The docket of this tip came on 19 October.",
			[]Look{{"manifest", reports.NoDocket, "in a report up to a position before 19 October, and gone at the end"}}},
	}
}

func middle() []Story {
	return []Story{
		{"2026-10-12", "TM-01", "Sent twice",
			"The acknowledgement of the day's last events was lost, so the truck sent them again.",
			[]Look{{"timesplit", "", "one end of the shift; the ledger counts the repeats as duplicates"}}},
		{"2026-10-12", "TM-03", "Half here, half there",
			"The landfill took 60 % of the tank and the soil recovery the rest.",
			[]Look{{"manifest", "", "two consignments from one tank, the second without its own loads"}}},
		{"2026-10-13", "TM-01", "A finding answered",
			"The environmental officer had asked about the docket that was 14 % off, and entered what the facility said.",
			[]Look{
				{"manifest", reports.DocketOverTenPercent, "the finding of 9 October stays, with the answer and who gave it beside it"},
				{"manifest", reports.DocketDiffers, "answered alike"}}},
		{"2026-10-13", "TM-02", "A docket that never came",
			"The facility never sent the docket of this tip.",
			[]Look{{"manifest", reports.NoDocket, "the consignment stands with the account's figures"}}},
		{"2026-10-13", "TM-03", "Hot oil",
			"The hydraulic oil reached 81 °C and the plant shut itself down. The wait was the carrier's own.",
			[]Look{
				{"care", reports.OilHot, "the oil readings of 81 and 54 °C"},
				{"billable", reports.NotBillable, "standby for a breakdown is not billed"}}},
		{"2026-10-14", "TM-01", "Emergency stop, the client's cause",
			"An excavator of the client slewed into the marked zone. Stop, inspection, reset and restart are three entries.",
			[]Look{
				{"timesplit", "", "stopped time from the press to the restart"},
				{"stops", "", "cause, inspection, reset and restart, and the downtime between press and restart"},
				{"billable", "", "the stop is billed, for the client caused it"}}},
		{"2026-10-14", "TM-02", "A day without signal",
			"The truck worked out of coverage. Its events came two days later, after those of its next two days.",
			[]Look{
				{"manifest", reports.SequenceGap, "in any report up to a position before the late batch, and gone at the end"},
				{"manifest", reports.DocketUnmatched, "its docket came before the tip it is for, and found it at the end"},
				{"timesplit", "", "the day stands between its neighbours as if it had come in time"}}},
		{"2026-10-15", "TM-01", "A new rate card",
			"The standard rate card was revised with effect from this day: higher rates, less free standby.",
			[]Look{{"billable", "", "lines up to 14 October at 145.00, from 15 October at 154.00 an hour"}}},
		{"2026-10-15", "TM-03", "Emergency stop without cause, restart without reset",
			"Nobody wrote down why the stop was pressed, and the plant ran again without a reset on record.",
			[]Look{
				{"timesplit", reports.StopWithoutCause, "the stop"},
				{"timesplit", reports.RestartWithoutReset, "the restart"},
				{"stops", reports.RestartWithoutReset, "what the record lacks"},
				{"billable", "", "a stop of unknown cause is the carrier's"}}},
		{"2026-10-16", "TM-01", "Another meter on the standpipe",
			"The glass of the standpipe's meter was broken, so it was replaced in the evening; the new one began at 35 L.",
			[]Look{{"water", "", "readings of SP-4471 until this day and of SP-4519 from 17 October, and no meter that ran backwards"}}},
		{"2026-10-16", "TM-03", "Entered twice",
			"A load was recorded by the controller and once more by hand. The office voided the second on Monday.",
			[]Look{{"manifest", "", "three loads, not four; the voided entry is counted and not dropped"}}},
	}
}

func secondHalf() []Story {
	return append([]Story{
		{"2026-10-19", "TM-01", "Care forgotten",
			"The vacuum pump was not flushed at the end of the day.",
			[]Look{{"care", reports.CareMissed, "vacuum pump flush missed"}}},
		{"2026-10-19", "TM-02", "Standby beyond the free minutes",
			"The lane closure came an hour and a half late.",
			[]Look{{"billable", "", "standby less 30 free minutes"}}},
		{"2026-10-20", "TM-02", "The permit had run out",
			"A tank went to the soil recovery four days after its permit ran out; the renewed one holds from 22 October.",
			[]Look{{"manifest", reports.PermitExpired, "the consignment of this day, and none from 22 October on"}}},
		{"2026-10-20", "TM-03", "Rinse water in the tank",
			"The suction line was flushed into the debris tank with the door shut.",
			[]Look{{"water", "", "flushing water that went into the tank and out with the tip"}}},
		{"2026-10-21", "TM-01", "Decant without consent",
			"Water went into a ditch for which there is no consent.",
			[]Look{
				{"water", reports.NoConsent, "the decant to O-DITCH"},
				{"manifest", reports.RecordIncomplete, "the decant's consent is missing from the consignment"}}},
		{"2026-10-21", "TM-02", "A blocked, torn filter",
			"The gauges before and after the final filter drifted apart for weeks; on this morning it was found torn, and not refitted.",
			[]Look{
				{"care", reports.FilterBlocking, "the growing difference of the gauges, found from 6 October on"},
				{"care", reports.FilterDamaged, "the damaged filter; no check says that the new one is whole before the pump ran"}}},
		{"2026-10-22", "TM-01", "Over the daily cap",
			"Laying dust drew more from the standpipe than its cap for a day.",
			[]Look{{"water", reports.CapExceeded, "source W-MAINS-1 on this day"}}},
		{"2026-10-22", "TM-03", "Refused at the gate",
			"The lagoon was shut, nothing could be drained, and the landfill refused the load as too wet. It went on to the liquid treatment.",
			[]Look{
				{"manifest", reports.SpoilRefused, "the refusal, with the consignment that the load went with in the end"},
				{"timesplit", "", "one full dump; the way to the landfill is travel"}}},
		{"2026-10-23", "TM-02", "No backflow device",
			"A refill at a standpipe that asks for a backflow device was made without one.",
			[]Look{{"water", reports.BackflowMissing, "the refill"}}},
		{"2026-10-23", "TM-03", "A turbid week",
			"After heavy rain the lagoon's weekly mean of turbidity went over its consent.",
			[]Look{{"water", reports.ConsentExceeded, "outfall O-LAGOON, week of 19 October"}}},
	}, lastWeek()...)
}

func lastWeek() []Story {
	return []Story{
		{"2026-10-24", "TM-01", "Night shift across the clock change",
			"From Saturday evening to Sunday morning; the hour from 01:00 comes twice.",
			[]Look{
				{"timesplit", "", "elapsed hours, one more than the clock shows"},
				{"billable", "", "evening work in the Saturday and night bands, split at midnight into the Sunday band"}}},
		{"2026-10-26", "TM-03", "An urgent call on the bank holiday",
			"Half a day's work on a public holiday.",
			[]Look{{"billable", "", "all lines in the holiday band"}}},
		{"2026-10-27", "TM-02", "A part came back",
			"The soil recovery found plastic duct in the tip and gave 6 % of it back, which went to the landfill.",
			[]Look{
				{"manifest", reports.SpoilReturned, "the return beside its consignment, and a second consignment of what came back"}}},
		{"2026-10-27", "TM-03", "Wet load at the landfill",
			"Slurry was tipped at the landfill with no water drained and no free-liquids test.",
			[]Look{{"manifest", reports.WetLoadAtLandfill, "the consignment"}}},
		{"2026-10-28", "TM-02", "Hazardous and other material mixed",
			"A tar-bound layer and clean sub-base went into one tank.",
			[]Look{{"manifest", reports.HazardousMixed, "the consignment"}}},
		{"2026-10-29", "TM-01", "Hazardous material on its own",
			"The same work as it should be done: one material, a facility that takes it, the tank washed after.",
			[]Look{
				{"manifest", "", "a consignment of 17 05 03* without a finding"},
				{"care", "", "the tank washed"}}},
		{"2026-10-30", "TM-02", "No rest",
			"The crew worked the whole day without a break on record.",
			[]Look{{"timesplit", reports.WorkWithoutRest, "the stretch of work; a warning and no certification"}}},
	}
}
