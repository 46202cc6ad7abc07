// Package water accounts for the water of a period: what was drawn from each kind of
// source, what it was used for, what the fresh tanks held, and what was decanted from
// the debris tanks to which outfall under which consent.
//
// Lines are made only by entries of the period and of the trucks, jobs or client
// asked for; what the tanks hold is folded from the beginning. Limits that bind a
// place and not a truck, a source's daily cap and an outfall's daily limit and weekly
// mean, are held against all trucks of the journal and against whole days and weeks
// in the place's own time zone. For example a bore with a cap of 5000 L a day, from
// which two trucks drew 3000 L each on 5 October and nobody anything on the 6th, gives
//
//	W-BORE   2026-10-05   6000 L   cap 5000 L   exceeded
//	W-BORE   2026-10-06      0 L   cap 5000 L
//
// A day without a draw is an explicit zero. Recycled water is never counted as mains.
//
// What was entered is held against three ways of knowing that do not rest on it: the
// source's meter, two gauges of the fresh tank with the refills between, and the flow
// of a free jet of the pressure, nozzle and running time recorded with a load. Each is
// labelled and shown with what the tolerances of both sides explain; none replaces the
// entry. Instruments' limits count as rectangular and are added as squares, doubled
// (JCGM 100); the limits of one nozzle's estimates add up as they are.
//
// A meter's readings never fall, but for a change that somebody entered: where it
// rolled over what passed goes on across the change, for nobody saw when it happened;
// where it was replaced or set anew the last reading is held against the draws, and the
// next begins again. A fall that no change explains is a finding.
package water

import (
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Options selects how the report is made. The zero value is the usual one.
type Options struct {
	// Tank selects the rules by which the tanks are kept.
	Tank tank.Options
	// Zones finds a time zone by its name; nil is time.LoadLocation. A place whose
	// zone is not found has its days in the period's zone.
	Zones func(string) (*time.Location, error)
}

// Report is the water use of a period. Lists are in the order of their first fields,
// those of single entries in the order in which the entries occurred.
type Report struct {
	Request  reports.Request
	Position uint64 // the last ledger position covered
	// Narrowed is true when a job or a client was asked for. The fresh tank and the
	// meters, which all jobs share, are then left out.
	Narrowed bool
	Days     []Day  // every local day of the period, days without water too
	Lines    []Line // by truck, day and job
	Draws    []Draw
	Uses     []Use
	Decants  []Decant
	Sources  []SourceDay
	Outfalls []OutfallDay
	Weeks    []TurbidityWeek
	Fresh    []FreshDay
	Gauges   []tank.Gauge // of fresh tanks
	Readings []Reading
	Banks    []BankWater
	Ways     []Known // meter, gauge and nozzle against the entries
	Totals   Totals
	Findings []reports.Finding

	journal *reports.Journal
}

// Totals are the report's own sums, taken from the movements of the accounts and
// their lists and not from the rows that they are held against.
type Totals struct {
	Flow
	Fresh    FreshDay // sums of all trucks; opening and closing are left zero
	BankML   int64
	BankJets int64 // mL jetted for loads whose bank volume is known
}

// Flow is water in millilitres by where it came from and what it was used for.
type Flow struct {
	MainsML, BoreML, SurfaceML, YardML, RecycledML, OtherSourceML int64
	JettingML, WashingML, FlushingML, DustML, OtherUseML          int64
	DecantedML                                                    int64 // as stated, solids of a turbid decant included
}

// DrawnML returns what was drawn from all sources.
func (f *Flow) DrawnML() int64 {
	return f.MainsML + f.BoreML + f.SurfaceML + f.YardML + f.RecycledML + f.OtherSourceML
}

// UsedML returns what left the fresh tank, jetting water included.
func (f *Flow) UsedML() int64 {
	return f.JettingML + f.WashingML + f.FlushingML + f.DustML + f.OtherUseML
}

// RecycledPPM returns the share of recycled water in what was drawn, in parts per
// million; ok is false when nothing was drawn.
func (f *Flow) RecycledPPM() (ppm int64, ok bool) {
	drawn := f.DrawnML()
	if drawn <= 0 {
		return 0, false
	}
	return reports.MulDiv(f.RecycledML, 1_000_000, drawn), true
}

func (f *Flow) draw(use events.WaterSourceUse, ml int64) {
	switch use {
	case events.MainsStandpipe:
		f.MainsML += ml
	case events.BoreSource:
		f.BoreML += ml
	case events.SurfaceSource:
		f.SurfaceML += ml
	case events.YardSource:
		f.YardML += ml
	case events.RecycledSource:
		f.RecycledML += ml
	default:
		f.OtherSourceML += ml
	}
}

func (f *Flow) use(purpose events.Purpose, ml int64) {
	switch purpose {
	case forJetting:
		f.JettingML += ml
	case events.ForWashing:
		f.WashingML += ml
	case events.ForFlushing:
		f.FlushingML += ml
	case events.ForDust:
		f.DustML += ml
	default:
		f.OtherUseML += ml
	}
}

// forJetting stands beside the purposes of entries: loads use water, too.
const forJetting events.Purpose = "jetting"

// Day is the water of one local day.
type Day struct {
	Date string // in the period's zone
	Flow
	Cites []uint64
}

// Line is the water of one truck, local day and job.
type Line struct {
	Date  string
	Truck events.TruckID
	Job   events.JobID // "" for what concerns no job, such as most refills
	Flow
	Cites []uint64
}

// Draw is a refill. Stated and metered volumes stand beside each other; the one that
// counts is VolumeML.
type Draw struct {
	tank.Refill
	Name     string // of the source; "" when the register does not know it
	Backflow events.BackflowDevice
	Required bool // a backflow device is
	// DifferenceML is metered less stated and ToleranceML what they may differ by,
	// where both are known.
	DifferenceML, AllowedML *int64
}

// Use is fresh water that was used, for jetting or for a purpose of its own.
type Use struct {
	Entry          *reports.Entry
	Purpose        events.Purpose // "jetting" for a load's
	VolumeML       int64
	IntoDebrisTank bool
	Basis          events.Basis
}

// SourceDay is one source's local day, in the source's zone, against its cap.
type SourceDay struct {
	Source  events.WaterSourceID
	Date    string
	Name    string
	Use     events.WaterSourceUse
	Permit  string
	ListML  int64 // by the draws that this report lists
	DrawnML int64 // by all trucks of the journal, the whole day
	CapML   int64 // 0 for none
	Cites   []uint64

	parts []int64     // of DrawnML
	binds events.Time // a moment at which the entry that binds the day was in force
}

// Over reports whether more was drawn than the cap.
func (s *SourceDay) Over() bool { return s.CapML > 0 && s.DrawnML > s.CapML }

// Decant is a decant against the consent of its outfall.
type Decant struct {
	tank.Decant
	Name    string // of the outfall
	Consent string // in force on the day; "" when there is none
	Result  string // "within", or what was exceeded, missing or not measured
	Exceeds bool   // a limit on single readings
}

// Permitted reports whether a consent was in force and no limit on single readings
// was exceeded.
func (d *Decant) Permitted() bool { return d.Consent != "" && !d.Exceeds }

// OutfallDay is one outfall's local day, in the outfall's zone, against its limit.
type OutfallDay struct {
	Outfall    events.OutfallID
	Date       string
	Name       string
	ListML     int64 // by the decants that this report lists
	DecantedML int64 // by all trucks of the journal, the whole day
	LimitML    int64 // 0 for none
	Cites      []uint64

	parts []int64     // of DecantedML
	binds events.Time // the latest decant, whose entry of the register binds the day
}

// Over reports whether more was decanted than the limit.
func (o *OutfallDay) Over() bool { return o.LimitML > 0 && o.DecantedML > o.LimitML }

// TurbidityWeek is the mean of an outfall's turbidity readings of one week, Monday to
// Sunday in the outfall's zone, where its consent limits that mean.
type TurbidityWeek struct {
	Outfall  events.OutfallID
	Monday   string
	Name     string
	Readings int64
	SumMilli int64 // of the readings, thousandths of a turbidity unit
	LimitNTU int64
	Cites    []uint64

	parts []int64     // of SumMilli
	binds events.Time // the latest reading
}

// MeanMilliNTU returns the mean of the readings, rounded.
func (w *TurbidityWeek) MeanMilliNTU() int64 {
	return reports.MulDiv(w.SumMilli, 1, max(w.Readings, 1))
}

// Over reports whether the mean is above the limit, decided without rounding.
func (w *TurbidityWeek) Over() bool { return w.SumMilli > w.LimitNTU*1000*w.Readings }

// FreshDay is one truck's local day of its fresh tank, for days on which it moved:
// opening + drawn + unaccounted - jetted - used = closing, exactly.
type FreshDay struct {
	Date          string
	Truck         events.TruckID
	OpeningML     int64
	DrawnML       int64
	UnaccountedML int64 // what only gauges and shortages show; negative for water that is missing
	JettedML      int64
	UsedML        int64
	ClosingML     int64
	Cites         []uint64
}

// Reading is a reading of a source's meter against the one before it.
type Reading struct {
	Source    events.WaterSourceID
	Meter     string
	At        events.Time
	What      string // "read", "refill start", "refill end", or on which side of a change it is
	ReadingML int64
	// AdvanceML is from the reading before, DrawnML what the entries in between drew
	// without readings of their own, and AllowedML what the two may differ by; nil for
	// the first reading of a meter and for the end of a refill.
	AdvanceML, DrawnML, AllowedML *int64
	Cites                         []uint64
}

// BankWater is a job's jetting water over the bank volume it cut, for the loads whose
// bank volume is known.
type BankWater struct {
	Job       events.JobID
	Loads     int64
	JettingML int64
	BankML    int64
	Unknown   int64 // loads whose bank volume is not known
	Cites     []uint64
}

// LitresPerM3Thousandths returns thousandths of a litre for each bank cubic metre; ok
// is false when no bank volume is known.
func (b *BankWater) LitresPerM3Thousandths() (v int64, ok bool) {
	if b.BankML <= 0 {
		return 0, false
	}
	return reports.MulDiv(b.JettingML, 1_000_000, b.BankML), true
}
