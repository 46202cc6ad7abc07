package demo

import "spoilbook/events"

// practice is how work is usually done at a job with a truck.
type practice struct {
	material      events.MaterialID
	bankL         [2]int64 // bank volume of a load, from and to
	jetPercent    [2]int64 // jetting water over bank volume
	bankPercent   int64    // of loads known by bank volume
	volumePercent int64    // of loads known by slurry volume alone
	outfall       events.OutfallID
	facility      events.FacilityID
	water         events.WaterSourceID
}

// practice returns what is usual for the job at hand and the day.
func (c *crew) practice() practice {
	p := practice{bankL: [2]int64{640, 980}, jetPercent: [2]int64{112, 142}, bankPercent: 35, volumePercent: 15}
	if c.truck == "TM-02" {
		p.bankL = [2]int64{560, 820}
	}
	p.water = map[events.TruckID]events.WaterSourceID{"TM-01": "W-MAINS-1", "TM-02": "W-MAINS-2", "TM-03": "W-BORE"}[c.truck]
	switch c.job {
	case "J-102":
		p.material, p.outfall, p.facility = "M-SAND", "O-SEWER", c.recovery()
	case "J-103":
		p.material, p.outfall, p.facility = "M-ROAD", "O-LAGOON", "F-GORSE"
	case "J-104":
		p.material, p.facility = "M-SILT", "F-BRINE"
		p.bankPercent, p.volumePercent = 0, 60
	case "J-105":
		p.material, p.outfall, p.facility = "M-CLAY", "O-SEWER", "F-BRINE"
	case "J-106":
		p.material, p.facility = "M-TAR", "F-BRINE"
		p.bankPercent, p.volumePercent = 0, 0
	default:
		p.material, p.outfall, p.facility = "M-CLAY", "O-LAGOON", c.recovery()
		if c.truck == "TM-01" && c.clock.Day()%2 == 0 {
			p.facility = "F-GORSE"
		}
	}
	return p
}

// recovery is the soil recovery while its permit holds, the landfill otherwise.
func (c *crew) recovery() events.FacilityID {
	if day := c.clock.Day(); day > 16 && day < 22 {
		return "F-GORSE"
	}
	return "F-FENNICK"
}

// placeOf is where a site lies. The town is invented, so its positions are put
// into open sea.
func placeOf(job events.JobID) *events.Place {
	n := int64(job[len(job)-1] - '0')
	return &events.Place{LatitudeMicroDeg: 53_402_000 + 1_730*n, LongitudeMicroDeg: -5_310_000 - 2_410*n}
}
