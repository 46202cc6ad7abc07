package events

import "slices"

// Kind names what happened. Kinds are never renamed or reused; a payload that
// changes gets a new version and an upcast from the old one.
type Kind string

// The kinds.
const (
	KindLoadCollected        Kind = "load.collected"
	KindWaterDecanted        Kind = "water.decanted"
	KindSpoilTipped          Kind = "spoil.tipped"
	KindWaterRefilled        Kind = "water.refilled"
	KindWaterUsed            Kind = "water.used"
	KindTankGauged           Kind = "tank.gauged"
	KindEmergencyStopPressed Kind = "stop.pressed"
	KindEmergencyStopReset   Kind = "stop.reset"
	KindPlantRestarted       Kind = "plant.restarted"
	KindShiftStarted         Kind = "shift.started"
	KindShiftEnded           Kind = "shift.ended"
	KindSiteArrived          Kind = "site.arrived"
	KindSiteLeft             Kind = "site.left"
	KindFacilityArrived      Kind = "facility.arrived"
	KindFacilityLeft         Kind = "facility.left"
	KindStandbyStarted       Kind = "standby.started"
	KindStandbyEnded         Kind = "standby.ended"
	KindRestStarted          Kind = "rest.started"
	KindRestEnded            Kind = "rest.ended"
	KindPumpEngaged          Kind = "pump.engaged"
	KindPumpDisengaged       Kind = "pump.disengaged"
	KindPrestartChecked      Kind = "prestart.checked"
	KindCareRecorded         Kind = "care.recorded"
	KindDocketReceived       Kind = "docket.received"
	KindMeterRead            Kind = "meter.read"
	KindEntryCorrected       Kind = "entry.corrected"
	KindEntryVoided          Kind = "entry.voided"
	KindRegisterRevised      Kind = "register.revised"
	KindReportIssued         Kind = "report.issued"
	KindSpoilRefused         Kind = "spoil.refused"
	KindSpoilReturned        Kind = "spoil.returned"
	KindMeterChanged         Kind = "meter.changed"
	KindFindingAnswered      Kind = "finding.answered"
	KindHoldPlaced           Kind = "hold.placed"
	KindHoldLifted           Kind = "hold.lifted"
)

// Body is the payload of one kind.
type Body interface {
	// Kind returns the kind whose payload this is.
	Kind() Kind
	// Check reports what is wrong with the payload's fields.
	Check(c *Check)
}

// Spec says what is fixed for a kind.
type Spec struct {
	Kind       Kind
	Version    int         // of the payload, from 1
	NeedsTruck bool        // the envelope must name a truck
	NeedsJob   bool        // the envelope must name a job
	New        func() Body // a pointer to an empty payload, for decoding
}

// Deref returns the payload that b, made by Spec.New, points to.
func Deref(b Body) Body {
	if d, ok := b.(interface{ deref() Body }); ok {
		return d.deref()
	}
	return b
}

// pointer adapts *T to Body so that decoders can fill it.
type pointer[T Body] struct{ V T }

func (p *pointer[T]) Kind() Kind     { return p.V.Kind() }
func (p *pointer[T]) Check(c *Check) { p.V.Check(c) }
func (p *pointer[T]) deref() Body    { return p.V }

// Target returns the pointer that a decoder fills for b, made by Spec.New.
func Target(b Body) any {
	if t, ok := b.(interface{ target() any }); ok {
		return t.target()
	}
	return b
}

func (p *pointer[T]) target() any { return &p.V }

func spec[T Body](truck, job bool) Spec {
	var zero T
	return Spec{Kind: zero.Kind(), Version: 1, NeedsTruck: truck, NeedsJob: job,
		New: func() Body { return &pointer[T]{} }}
}

// kindTable is the one table of kinds; it is not changed after this line.
var kindTable = func() map[Kind]Spec {
	const truck, job = true, true
	table := map[Kind]Spec{}
	for _, s := range []Spec{
		spec[LoadCollected](truck, job),
		spec[WaterDecanted](truck, false),
		spec[SpoilTipped](truck, false),
		spec[WaterRefilled](truck, false),
		spec[WaterUsed](truck, false),
		spec[TankGauged](truck, false),
		spec[EmergencyStopPressed](truck, false),
		spec[EmergencyStopReset](truck, false),
		spec[PlantRestarted](truck, false),
		spec[ShiftStarted](truck, false),
		spec[ShiftEnded](truck, false),
		spec[SiteArrived](truck, job),
		spec[SiteLeft](truck, job),
		spec[FacilityArrived](truck, false),
		spec[FacilityLeft](truck, false),
		spec[StandbyStarted](truck, false),
		spec[StandbyEnded](truck, false),
		spec[RestStarted](truck, false),
		spec[RestEnded](truck, false),
		spec[PumpEngaged](truck, false),
		spec[PumpDisengaged](truck, false),
		spec[PrestartChecked](truck, false),
		spec[CareRecorded](truck, false),
		spec[DocketReceived](truck, false),
		spec[MeterRead](false, false),
		spec[EntryCorrected](false, false),
		spec[EntryVoided](false, false),
		spec[RegisterRevised](false, false),
		spec[ReportIssued](false, false),
		spec[SpoilRefused](truck, false),
		spec[SpoilReturned](truck, false),
		spec[MeterChanged](false, false),
		spec[FindingAnswered](false, false),
		spec[HoldPlaced](false, false),
		spec[HoldLifted](false, false),
	} {
		table[s.Kind] = s
	}
	return table
}()

// SpecOf returns what is fixed for kind k; ok is false for an unknown kind.
func SpecOf(k Kind) (Spec, bool) {
	s, ok := kindTable[k]
	return s, ok
}

// Kinds returns every kind in alphabetical order.
func Kinds() []Kind {
	ks := make([]Kind, 0, len(kindTable))
	for k := range kindTable {
		ks = append(ks, k)
	}
	slices.Sort(ks)
	return ks
}
