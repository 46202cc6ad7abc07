package tank

import (
	"cmp"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/register"
)

// What is assumed where neither the entry nor the register says; each use is a
// finding.
const (
	DefaultParticleDensityKgPerM3 = 2650    // quartz
	DefaultSlurryDensityKgPerM3   = 1400    // with a material that the register does not know
	DefaultBankDensityKgPerM3     = 1900    // with a material that has no bank density
	DefaultBedVoidRatioPermille   = 1000    // of a settled bed
	DefaultTolerancePPM           = 30_000  // of a load without a stated tolerance: 3 %
	DefaultMoisturePPM            = 150_000 // with DefaultBankDensityKgPerM3, where the material has no moisture
)

// Fold folds the whole history of one truck that the journal holds. Its cost grows
// with the number of entries times the parcels in the tank at the time, which is a
// handful where tanks are emptied.
func Fold(j *reports.Journal, truck events.TruckID, o Options) *Account {
	f := &fold{journal: j, options: o, account: &Account{Truck: truck},
		accounts: map[AccountName]int{}, names: map[nameKey]AccountName{}, notes: map[noteKey]int{},
		revisions: j.Book.History(events.TruckRegister, string(truck)), deliveries: map[int]*delivery{}}
	entries := j.Entries(truck)
	f.reserve(entries)
	for i := range entries {
		f.revise(&entries[i].Occurred)
		f.entry(&entries[i])
	}
	f.revise(nil)
	f.dockets(entries)
	a := f.account
	held := f.heldDoubt()
	a.DebrisToleranceG, a.DebrisToleranceML = held.mass.root(), held.volume.root()
	a.Debris, a.FreshML = slices.Clone(f.parcels), f.freshML
	slices.SortStableFunc(a.Movements, func(x, y Movement) int { return cmp.Compare(x.At.UnixMS, y.At.UnixMS) })
	slices.SortFunc(a.balances, func(x, y Balance) int { return cmp.Compare(x.Account, y.Account) })
	reports.SortFindings(a.Findings)
	return a
}

// Balances returns what every account has received less what it has given, sorted
// by name. They sum to zero.
func (a *Account) Balances() []Balance { return slices.Clone(a.balances) }

// Balance returns the balance of one account, zero when nothing moved through it.
func (a *Account) Balance(name AccountName) Balance {
	i, ok := slices.BinarySearchFunc(a.balances, name, func(b Balance, n AccountName) int { return cmp.Compare(b.Account, n) })
	if !ok {
		return Balance{Account: name}
	}
	return a.balances[i]
}

// fold is the state between two entries.
type fold struct {
	journal *reports.Journal
	options Options
	account *Account

	parcels    Contents
	held       totals // of parcels
	sinceEmpty []int  // decants since the debris tank was last empty
	freshML    int64
	removed    doubt // of what was measured out of the debris tank since it was last empty
	// freshSquare is of what was drawn and used since the last gauge.
	freshSquare             square
	freshGauged             bool
	overCapacity, overGross bool
	freshOver               bool
	revisions               []register.Revision // of the truck, that have not taken effect
	capacity                *events.Truck       // as the register last said; nil when it never did
	returns                 bool                // some entry returns spoil, so what was tipped is kept
	deliveries              map[int]*delivery   // by index into Account.Tips

	accounts map[AccountName]int // index into Account.balances
	names    map[nameKey]AccountName
	notes    map[noteKey]int // index into Account.Findings

	weights, solidsGiven, waterGiven []int64 // reused between entries
	rests                            []remainder
}

// reserve makes room for what a year of entries usually gives, since growing long
// lists would take half of the fold's time.
func (f *fold) reserve(entries []reports.Entry) {
	n := map[events.Kind]int{}
	for i := range entries {
		n[entries[i].Kind()]++
	}
	loads, decants, tips := n[events.KindLoadCollected], n[events.KindWaterDecanted], n[events.KindSpoilTipped]
	refills, uses := n[events.KindWaterRefilled], n[events.KindWaterUsed]
	f.returns = n[events.KindSpoilReturned] > 0
	a := f.account
	a.Loads, a.Decants, a.Tips = make([]Load, 0, loads), make([]Decant, 0, decants), make([]Tip, 0, tips)
	a.Refills, a.Uses = make([]Refill, 0, refills), make([]Use, 0, uses)
	if !f.options.OmitMovements {
		a.Movements = make([]Movement, 0, 3*loads+3*decants+5*tips+refills+uses)
	}
}

func (f *fold) entry(e *reports.Entry) {
	switch b := e.Body.(type) {
	case events.LoadCollected:
		f.known(e)
		f.load(e, b)
	case events.WaterDecanted:
		f.known(e)
		f.decant(e, b)
	case events.SpoilTipped:
		f.known(e)
		f.tip(e, b)
	case events.SpoilRefused:
		f.known(e)
		f.refused(e, b)
	case events.SpoilReturned:
		f.known(e)
		f.takeBack(e, b)
	case events.WaterRefilled:
		f.known(e)
		f.refill(e, b)
	case events.WaterUsed:
		f.known(e)
		f.use(e, b)
	case events.TankGauged:
		f.known(e)
		f.gauge(e, b)
	default:
		return
	}
	if f.options.KeepLevels {
		f.noteLevel(e)
	}
}

// known finds a truck or a job that the register does not know.
func (f *fold) known(e *reports.Entry) {
	if _, ok := f.journal.Book.Truck(e.Truck, e.Occurred); !ok {
		f.unknown(e, events.TruckRegister, string(e.Truck), "its capacities and masses are not checked")
	}
	if e.Job == "" {
		return
	}
	if _, ok := f.journal.Book.Job(e.Job, e.Occurred); !ok {
		f.unknown(e, events.JobRegister, string(e.Job), "its client is not known")
	}
}

// settle brings the state up to date after something left the debris tank, which
// held before.
func (f *fold) settle(before Phases, t *taking) {
	f.parcels = slices.DeleteFunc(f.parcels, func(p Parcel) bool { return p.SolidsG == 0 && p.WaterG == 0 })
	f.held = f.parcels.totals()
	given := Phases{before.SolidsG - f.held.solidsG, before.WaterG - f.held.waterG}
	t.removed, f.removed = f.removed.split(given, before, t.scaled)
	f.removed = f.removed.plus(t.own)
	if len(f.parcels) == 0 {
		f.sinceEmpty, f.removed = nil, doubt{}
	}
	if t.massG > 0 {
		f.overCapacity, f.overGross = false, false
	}
}

// heldDoubt returns how certain the whole of the debris tank is.
func (f *fold) heldDoubt() doubt {
	d := f.removed
	for i := range f.parcels {
		d = d.plus(f.parcels[i].own)
	}
	return d
}

func (f *fold) addParcel(p Parcel) {
	if p.SolidsG == 0 && p.WaterG == 0 {
		return
	}
	f.parcels = append(f.parcels, p)
	f.held.add(&p)
}

// checkLimits finds a debris tank over its capacity and a truck over its permitted
// gross mass, once until something leaves the tank.
func (f *fold) checkLimits(e *reports.Entry) {
	truck, ok := f.journal.Book.Truck(e.Truck, e.Occurred)
	if !ok {
		return
	}
	was := f.overCapacity
	f.overCapacity = f.held.volumeML() > truck.DebrisCapacityL*1000
	if f.overCapacity && !was {
		f.find(reports.OverCapacity, e, "the debris tank would hold %s L; its capacity is %d L", litres(f.held.volumeML()), truck.DebrisCapacityL)
	}
	was = f.overGross
	grossG := truck.TareKg*1000 + f.held.massG() + f.freshML
	f.overGross = grossG > truck.PermittedGrossKg*1000
	if f.overGross && !was {
		f.find(reports.OverGross, e, "the truck would weigh %s kg (tare %d kg, debris %s kg, fresh water %s kg); permitted are %d kg",
			litres(grossG), truck.TareKg, litres(f.held.massG()), litres(f.freshML), truck.PermittedGrossKg)
	}
}
