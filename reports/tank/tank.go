// Package tank is the fold at the heart of the ledger: it turns a truck's entries
// into what its debris tank and its fresh-water tank held, and into double-entry
// movements of grams of solids and grams of water between named accounts.
//
// The debris tank holds parcels, one for each load: solids and water, with job and
// material. Slurry has no air, so a parcel's volume is solids over particle density
// plus water over water density, which is taken as 1000 kg/m3 throughout: 1 g of
// water is 1 mL. For example two cubic metres of soil in the bank at 1900 kg/m3,
// moisture 15 % and particle density 2650 kg/m3, cut with 3 m3 of jetting water,
// give
//
//	site        -> debris-tank   3 304 348 g solids    495 652 g water
//	fresh-tank  -> debris-tank                       3 000 000 g water
//
// and the tank holds 4.742576 m3, not 5: a quarter of a cubic metre was air.
//
// Every movement takes from one account what it gives to another, so the balances
// of all accounts always sum to zero, and the balances of the two tanks always are
// what the tanks hold. What a gauge, a docket or a meter contradicts is moved to or
// from the account "unaccounted"; nothing is absorbed.
//
// Entries count in the order in which they occurred, which is the journal's; an
// entry with a start and an end counts once, at the time it occurred, whatever
// midnight or change of clocks lies in it. Dockets are applied to their tips wherever
// in the journal they stand. What the register says is that of the time at which an
// entry occurred.
//
// # How certain the figures are
//
// A stated tolerance is an instrument's limit: any error within it is as likely as any
// other, so the standard uncertainty is the limit over the root of three (JCGM 100, the
// Guide to the Expression of Uncertainty in Measurement, rectangular distribution).
// Where nothing is stated a quantity counts as good to [DefaultTolerancePPM], 3 %,
// which is two standard uncertainties already; a typical density beside a stated
// tolerance is as good. Independent ones are added as squares and shown doubled: two
// loads of 3000 and 4000 kg, good to 60 and 80 kg, are together good to
//
//	2/sqrt(3) x sqrt(60^2 + 80^2) = 115.5 kg
//
// What was measured out of the tank, a decant or a tip by mass or volume, adds its own
// uncertainty to what stays. A portion judged by eye takes along that of the tank in
// proportion; the judgement itself nobody can put a figure to.
//
// The solids of slurry are solved from its mass M and its volume V, so that both of
// their uncertainties are in them, more than once over: with particles of rho g/mL
//
//	S = rho/(rho-1) x (M - V)        u(S) = rho/(rho-1) x sqrt(u(M)^2 + u(V)^2)
//
// 2400 L of slurry that weigh 3600 kg, good to 24 L and 36 kg, hold 1927.3 kg of solids
// of 2650 kg/m3, good to 2 x 40.12 = 80.2 kg. Mass, volume and solids hang together:
// each figure is right by itself, and none may be added to another as squares. Water is
// M - S and no more certain than they let it be. Particle density, moisture and bank
// density are taken as the register or the entry states them. Solids of one bank are as
// certain as its volume, and what is drained off clear takes none of it away.
//
// # Soil in the bank
//
// Bank soil is split by its bulk density and its moisture, the entry's or else the
// material's. Where nobody says a density, the usual one counts, and the usual moisture
// with it. Where a density is stated and nobody says a moisture, as for a material that
// is not in the register, the soil counts as dry: all of its mass is solids, which is
// the most that can have been dug, and the basis is assumed.
//
// # Levels
//
// A gauge within the combined tolerance of itself and the account moves nothing to or
// from unaccounted: the account stands and the difference is listed. Beyond it the
// account follows the gauge.
//
// A gauge that says a level is turned into a volume by the truck's strapping table, and
// without one, for the debris tank, by its diameter and length (package gauge). It is
// good to what the register says of the truck's gauges. A level that neither can turn
// into a volume is listed, found, and compared with nothing.
//
// # What a facility refuses or gives back
//
// A refusal moves nothing. A return brings back, from each parcel that the tip brought
// and in proportion to what of it is still at the facility, spoil of the same job and
// material; whole means all that is still there, a portion is of all that was tipped.
// More than is still there comes from unaccounted, mixed alike, and is nobody's. So is
// all of it, as water, when the tip is not this truck's, not at that facility or not
// before the return; of such a tip a whole or a portion is nothing, for nobody knows
// of how much. Decants before the tip are again decants since the tank was last empty.
//
// A docket stays with the tip that it names and is held against what of the tip was
// still at the facility when it weighed: returns that had ended by then are taken off.
// What comes back is the account's figure, never the docket's.
//
// # What contradicts itself
//
// Loads that claim the same time both count, with a finding, since a load entered
// twice looks like it. A capacity that becomes smaller than what the tank holds is
// found at the time of the change. A docket for another truck's tip, or a second one
// for the same tip, does not count and moves nothing. All of these are findings, and
// so is every tip without a load and every decant beyond the free water or beyond what
// the tank held; none of them is refused and none is absorbed.
package tank

import (
	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/gauge"
)

// Options selects between rules that the trade uses side by side. The zero value
// is the usual one.
type Options struct {
	// FirstInFirstOut makes a tip take the oldest parcels first. Otherwise the
	// tank is well mixed and a tip takes from every parcel by mass.
	FirstInFirstOut bool
	// OmitMovements leaves Account.Movements empty, which saves memory; balances
	// are kept all the same.
	OmitMovements bool
	// KeepLevels fills Account.Levels.
	KeepLevels bool
}

// Account is everything that the fold of one truck's entries gives, each list in
// the order in which the entries occurred.
type Account struct {
	Truck     events.TruckID
	Loads     []Load
	Decants   []Decant
	Tips      []Tip
	Refills   []Refill
	Uses      []Use
	Gauges    []Gauge
	Dockets   []Docket // all of them: effective, repeated and unmatched
	Refusals  []Refusal
	Returns   []Return
	Movements []Movement
	Levels    []Level           // after each entry that speaks of a tank, where they were asked for
	Findings  []reports.Finding // of the whole history, sorted; a report picks those of its period
	Debris    Contents          // what the debris tank holds after the last entry
	// How certain that is as a whole: two standard uncertainties of its mass and volume.
	DebrisToleranceG, DebrisToleranceML int64
	FreshML                             int64 // what the fresh tank holds after the last entry

	balances []Balance
}

// Parcel is what is left in the debris tank of one load, or of water that came
// without soil.
type Parcel struct {
	Job      events.JobID      // whose it is; "" when nobody's, such as water that only a gauge showed
	Material events.MaterialID // "" for water alone
	Position uint64            // of the entry that brought it
	Cites    []uint64          // the entry and its corrections
	SolidsG  int64
	WaterG   int64
	// ParticleDensityKgPerM3 and BedVoidRatioPermille are the material's when the
	// load was made.
	ParticleDensityKgPerM3 int64
	BedVoidRatioPermille   int64
	Basis                  events.Basis // of its mass

	own     doubt // of what the entry brought, as far as it is still here
	drained doubt // of its part of what was measured out of the tank since
}

// Contents is what the debris tank holds, oldest parcel first.
type Contents []Parcel

// Summary is the size of what the debris tank held at some moment.
type Summary struct{ SolidsG, WaterG, VolumeML int64 }

// MassG returns solids and water together.
func (s Summary) MassG() int64 { return s.SolidsG + s.WaterG }

// DensityGPerM3 returns mass over volume, or 0 for an empty tank.
func (s Summary) DensityGPerM3() int64 {
	if s.VolumeML <= 0 {
		return 0
	}
	return mulDiv(s.MassG(), 1_000_000, s.VolumeML)
}

// Method says how the phases of a load were known.
type Method string

// The methods, best first.
const (
	ByVolumeAndMass Method = "volume and mass"
	ByBankSoil      Method = "bank volume and jetting water"
	ByMassAlone     Method = "mass and typical density"
	ByVolumeAlone   Method = "volume and typical density"
)

// Load is an entry that brought slurry into the debris tank.
type Load struct {
	Entry     *reports.Entry // of the journal; not to be changed
	Job       events.JobID
	Material  events.MaterialID
	SolidsG   int64
	WaterG    int64 // all of it, jetting water that stayed included
	VolumeML  int64 // of solids and water without air
	JettingML int64 // that left the fresh tank for this load
	LostML    int64 // of the jetting water, beyond the load's water: it stayed on the site
	BankML    int64 // of the soil in the ground; 0 when not known
	Basis     events.Basis
	Method    Method
	Other     *Comparison // what the next best figures of the entry would have given
	After     Summary     // the debris tank after it
	// ToleranceG of its mass, ToleranceML of its volume and ToleranceSolidsG of its solids
	// are two standard uncertainties.
	ToleranceG, ToleranceML, ToleranceSolidsG int64
	// What the method went by: the densities of the material, the register's or the
	// usual ones, and the soil in the ground where a bank volume was given.
	ParticleDensityKgPerM3 int64
	SlurryDensityKgPerM3   int64
	Soil                   *Soil
}

// MassG returns solids and water together.
func (l *Load) MassG() int64 { return l.SolidsG + l.WaterG }

// Comparison is a second reckoning of a load, which is shown and not used.
type Comparison struct {
	Method  Method
	SolidsG int64
	WaterG  int64
}

// Share is the part of a decant or a tip that came from one parcel.
type Share struct {
	Job      events.JobID
	Material events.MaterialID
	Position uint64   // of the entry that brought the parcel
	Cites    []uint64 // that entry and its corrections
	SolidsG  int64
	WaterG   int64
	VolumeML int64
	// ToleranceG of its mass, ToleranceML of its volume and ToleranceSolidsG of its solids
	// are two standard uncertainties; for several shares see Together.
	ToleranceG, ToleranceML, ToleranceSolidsG int64

	ParticleDensityKgPerM3 int64 // of its solids; of no meaning where there are none

	own, drained doubt
}

// MassG returns solids and water together.
func (s *Share) MassG() int64 { return s.SolidsG + s.WaterG }

// Decant is an entry that drained the debris tank to an outfall. SolidsG and
// WaterG are all that left by the entry; the part that the tank did not hold is
// UnheldSolidsG and UnheldWaterG and is in no share.
type Decant struct {
	Entry         *reports.Entry
	Outfall       events.OutfallID
	VolumeML      int64 // as stated
	SolidsG       int64
	WaterG        int64
	UnheldSolidsG int64
	UnheldWaterG  int64
	FreeWaterML   int64 // the largest clear decant at that time
	ToleranceML   int64 // of VolumeML, two standard uncertainties
	// A mass and a volume, in microlitres, of solids like those that the tank held, by
	// which solids that left with the water were reckoned.
	LikeSolidsG, LikeSolidsUL int64
	Shares                    []Share
	After                     Summary
}

// Tip is an entry that emptied the debris tank, or part of it, at a facility.
// SolidsG, WaterG and VolumeML are the account's figures for all that was tipped,
// never reduced by decants and never replaced by the docket; the part that the tank
// did not hold is UnheldSolidsG and UnheldWaterG and is in no share.
type Tip struct {
	Entry            *reports.Entry
	Facility         events.FacilityID
	SolidsG          int64
	WaterG           int64
	VolumeML         int64
	UnheldSolidsG    int64
	UnheldWaterG     int64
	Basis            events.Basis // the weakest of the loads' and of the entry's own quantity
	ToleranceG       int64        // of the account's mass, two standard uncertainties
	ToleranceML      int64        // of its volume
	ToleranceSolidsG int64        // of its solids
	Returned         Summary      // what the facility gave back of it, ever
	Returns          []int        // indices into Account.Returns
	Shares           []Share      // one for each contributing parcel, oldest first
	Decants          []int        // indices into Account.Decants since the tank was last empty
	Docket           *Docket      // the first docket for this tip, nil when none came
	Repeated         []Docket     // further dockets for this tip, which do not count
	Before           Summary      // the debris tank before it
	BeforeUL         int64        // its volume in microlitres, by which a volume tipped is told
	Heel             Contents     // what stayed in the tank

	removed, own doubt // of what was measured out before, and of the entry's own quantity
}

// MassG returns the account's mass: solids and water together.
func (t *Tip) MassG() int64 { return t.SolidsG + t.WaterG }

// DensityGPerM3 returns the account's mass over its volume, or 0 when nothing was
// tipped.
func (t *Tip) DensityGPerM3() int64 {
	return Summary{t.SolidsG, t.WaterG, t.VolumeML}.DensityGPerM3()
}

// MoisturePPM returns water over dry solids by mass in parts per million; ok is
// false when no solids were tipped.
func (t *Tip) MoisturePPM() (ppm int64, ok bool) {
	if t.SolidsG <= 0 {
		return 0, false
	}
	return mulDiv(t.WaterG, 1_000_000, t.SolidsG), true
}

// SettledMassG returns the mass that the facility goes by: the docket's where
// there is one, with basis measured, otherwise the account's with the tip's basis;
// less what it gave back after the weighing, or at all where nothing was weighed.
func (t *Tip) SettledMassG() (int64, events.Basis) {
	if t.Docket != nil {
		return max(0, t.Docket.NetG-(t.Returned.MassG()-t.Docket.ReturnedG)), events.Measured
	}
	return t.MassG() - t.Returned.MassG(), t.Basis
}

// Docket is a weighbridge result. AccountG is what it is held against: the account's
// mass of the tip less ReturnedG, what the facility had given back when it weighed.
// DifferenceG is the docket's net less AccountG, which moved between the facility and
// unaccounted when the docket is effective. ToleranceG is two standard uncertainties
// of the two weighings.
type Docket struct {
	Entry       *reports.Entry
	Number      string
	Facility    events.FacilityID
	WeighedAt   events.Time
	NetG        int64
	AccountG    int64
	ReturnedG   int64
	DifferenceG int64
	ToleranceG  int64
	// EnMilli is the difference over the root sum square of both tolerances, in
	// thousandths; above 1000 the instruments do not explain it.
	EnMilli     int64
	Unexplained bool // the difference is beyond that root sum square, decided without rounding
	// What the weighbridge's limits were taken at, and its verification interval.
	GrossG, TareG, IntervalG int64

	Tip    int  // index into Account.Tips; -1 when it matches none
	Counts bool // false for a repeated or unmatched docket
}

// Refill is an entry that filled the fresh tank from a water source.
type Refill struct {
	Entry       *reports.Entry
	Source      events.WaterSourceID
	Use         events.WaterSourceUse // the source's at that time; "" when it was not in the register
	VolumeML    int64                 // the figure that counts
	StatedML    *int64                // the entry's volume
	MeterML     *int64                // meter end less start, which may be negative
	ByMeter     bool                  // VolumeML is MeterML
	Basis       events.Basis
	ToleranceML int64 // stated with the volume or for the source's meter; 0 when neither is
	AfterML     int64 // the fresh tank after it
}

// Use is an entry of fresh water used for something other than jetting.
type Use struct {
	Entry          *reports.Entry
	Purpose        events.Purpose
	VolumeML       int64
	IntoDebrisTank bool
	AfterML        int64 // the fresh tank after it
}

// Gauge is a reading of a tank's level against the account.
type Gauge struct {
	Entry        *reports.Entry
	Tank         events.Tank
	AccountML    int64 // what the account held
	MeasuredML   int64
	DifferenceML int64       // measured less account
	ToleranceML  int64       // combined, two standard uncertainties
	LevelMM      *int64      // as read, where the entry says a level and no volume
	By           gauge.Means // what turned the level into MeasuredML
	Unusable     bool        // the level could not be turned into a volume, and nothing was compared
	Opening      bool        // the first gauge of the fresh tank, which says what the truck came with
	Adjusted     bool        // the difference was moved to or from unaccounted
	Shares       []Share     // of the water that was taken out of the debris tank
	AdjustedML   int64       // how much of it; less than the difference when the tank held too little water
}

// AccountName names an account of a truck.
type AccountName string

// The accounts that every truck has.
const (
	Site        AccountName = "site"        // soil and its water, as dug
	DebrisTank  AccountName = "debris-tank" // what the parcels hold
	FreshTank   AccountName = "fresh-tank"
	Jetted      AccountName = "jetted"      // jetting water that was not recovered
	Unaccounted AccountName = "unaccounted" // what contradicts the account
)

// FacilityAccount is the account of what was tipped at a facility.
func FacilityAccount(id events.FacilityID) AccountName { return "facility:" + AccountName(id) }

// OutfallAccount is the account of what was decanted to an outfall; an entry that
// names none goes to "outfall:unnamed".
func OutfallAccount(id events.OutfallID) AccountName {
	if id == "" {
		id = "unnamed"
	}
	return "outfall:" + AccountName(id)
}

// WaterSourceAccount is the account of what was drawn from a water source.
func WaterSourceAccount(id events.WaterSourceID) AccountName {
	return "water-source:" + AccountName(id)
}

// UsedAccount is the account of fresh water used for a purpose.
func UsedAccount(p events.Purpose) AccountName { return "used:" + AccountName(p) }

// Movement is one double entry: SolidsG and WaterG leave From and enter To. Both
// are never negative.
type Movement struct {
	At        events.Time
	Positions []uint64 // of the entry behind it and its corrections
	From, To  AccountName
	Job       events.JobID
	Material  events.MaterialID
	SolidsG   int64
	WaterG    int64 // 1 g is 1 mL
	Note      string
}

// Balance is what an account has received less what it has given.
type Balance struct {
	Account AccountName
	SolidsG int64
	WaterG  int64
}
