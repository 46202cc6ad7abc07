package water

import (
	"fmt"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/gauge"
)

func (k *Known) key() string { return k.Date + "/" + string(k.Truck) + "/" + string(k.Way) }

// way explains what a meter, a gauge or a nozzle says of a day against the entries.
func (x *exposition) way(k *Known) {
	x.Says = fmt.Sprintf("On %s, truck %s, by %s: %s %s; by the entries %s.", k.Date, k.Truck, k.Way, reports.Litres(k.SaysML), k.what(), reports.Litres(k.EnteredML))
	x.Cites = append(x.Cites, k.Cites...)
	if k.Way == ByNozzle {
		x.jets(k)
	}
	if k.AloneML > 0 {
		x.Reckon("known by this way alone", k.alone.text(), inL(k.AloneML), k.alone.cites...)
	}
	x.Follow("this program's rule", "A way is held against the entries for the same water alone; what no entry says is shown as known by this way alone.")
	if k.Entries == 0 {
		return
	}
	x.Reckon("by this way", k.saysParts.text(), inL(k.SaysML), k.saysParts.cites...)
	x.Reckon("by the entries", k.enteredParts.text(), inL(k.EnteredML), k.enteredParts.cites...)
	x.Reckon("this way less the entries", fmt.Sprintf("%s − %s", num(k.SaysML), num(k.EnteredML)), inL(k.DifferenceML()))
	limits := []string{}
	for _, l := range append(append([]int64{}, k.says...), k.entered...) {
		limits = append(limits, num(l))
	}
	x.Reckon("both explain, two standard uncertainties of the limits", "2 × rss("+strings.Join(limits, ", ")+") ÷ sqrt(3)", inL(k.ToleranceML))
	x.Follow("JCGM 100 (GUM)", "A limit counts as a rectangular distribution, u = limit ÷ √3; independent ones add as squares; shown are two standard uncertainties; rss is the root of the sum of the squares.")
	x.Follow("this program's assumption", "A volume without a stated tolerance is within 3 %.")
}

// jets explains the estimate of each load whose jet's setting is recorded.
func (x *exposition) jets(k *Known) {
	for _, e := range k.jets {
		body, _ := e.Body.(events.LoadCollected)
		j := body.Jet
		discharge := plain(j.DischargePPM, 6)
		if j.DischargePPM == 0 {
			discharge = fmt.Sprint(gauge.DefaultDischarge)
		}
		mm := plain(j.NozzleDiameterUM, 3)
		x.Reckon(fmt.Sprintf("the load of %s: factor × coefficient × diameter² × √pressure × nozzles × seconds ÷ 60", x.r.Request.Period.Local(e.Occurred).Format("2006-01-02 15:04")),
			fmt.Sprintf("%v × %s × %s × %s × sqrt(%s) × %d × %s ÷ 60", gauge.FreeJetFactor, discharge, mm, mm, plain(j.PressureKPa, 2), j.Nozzles, plain(j.RunningMS, 3)), inL(gauge.JetML(*j)), e.Positions...)
	}
	x.Follow("NFPA 291, 4.9.3, in litres a minute, millimetres and bar at 1000 kg/m³: 0.6664 Cd d² √p", "The flow of a free jet with the pressure at the nozzle; it does not hold for a positive-displacement pump at a fixed speed.")
	x.Follow("this program's assumption", "An estimate by the jet's setting is within 10 %; one nozzle is off in the same way all day, so its limits add up as they are.")
}
