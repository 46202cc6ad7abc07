package reports

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"spoilbook/events"
)

// Severity says how much a finding matters.
type Severity string

// The severities, from least to most.
const (
	Note    Severity = "note"    // worth knowing
	Warning Severity = "warning" // a figure is weaker than it looks
	Serious Severity = "serious" // somebody must decide before the figures are used
)

// Code names a kind of finding. Codes are stable: they are never renamed.
type Code string

// The codes that can be found.
const (
	SequenceGap          Code = "sequence-gap"
	ClockAhead           Code = "clock-ahead"
	DanglingCorrection   Code = "dangling-correction"
	LateAfterIssue       Code = "late-after-issue"
	UnknownReference     Code = "unknown-reference"
	OverCapacity         Code = "over-capacity"
	OverGross            Code = "over-permitted-gross"
	ImpossibleDensity    Code = "impossible-density"
	ImpossibleSaturation Code = "impossible-saturation"
	AssumedDensity       Code = "assumed-density"
	DecantOverFree       Code = "decant-over-free-water"
	DecantOverHeld       Code = "decant-over-held"
	TippedOverHeld       Code = "tipped-over-held"
	TipOfEmptyTank       Code = "tip-of-empty-tank"
	GaugeDiffers         Code = "gauge-differs"
	LoadNotTipped        Code = "load-not-tipped"
	FreshOverdrawn       Code = "fresh-overdrawn"
	FreshOverCapacity    Code = "fresh-over-capacity"
	NoDocket             Code = "no-docket"
	DocketDiffers        Code = "docket-differs"
	DocketOverTenPercent Code = "docket-over-ten-percent"
	DocketRepeated       Code = "docket-repeated"
	DocketUnmatched      Code = "docket-unmatched"
	PermitMissing        Code = "permit-missing"
	PermitExpired        Code = "permit-expired"
	CodeNotAccepted      Code = "code-not-accepted"
	HazardousMixed       Code = "hazardous-mixed"
	NotClassified        Code = "not-classified"
	WetLoadAtLandfill    Code = "wet-load-at-landfill"
	NoConsent            Code = "no-consent"
	ConsentExceeded      Code = "consent-exceeded"
	RecordIncomplete     Code = "record-incomplete"
	CapExceeded          Code = "cap-exceeded"
	MeterDiffers         Code = "meter-differs"
	MeterBackwards       Code = "meter-backwards"
	BackflowMissing      Code = "backflow-missing"
	OverlappingEntries   Code = "overlapping-entries"
	OutsideShift         Code = "outside-shift"
	ShiftNotEnded        Code = "shift-not-ended"
	TimeUnexplained      Code = "time-unexplained"
	StopWithoutCause     Code = "stop-without-cause"
	StopNotReset         Code = "stop-not-reset"
	RestartWithoutReset  Code = "restart-without-reset"
	StandbyNotEnded      Code = "standby-not-ended"
	WorkWithoutRest      Code = "work-without-rest"
	NoRateCard           Code = "no-rate-card"
	NoTax                Code = "no-tax"
	JobZoneChanged       Code = "job-zone-changed"
	NotBillable          Code = "not-billable"
	MixedCurrencies      Code = "mixed-currencies"
	GateFeeUnknown       Code = "gate-fee-unknown"
	PrestartMissing      Code = "prestart-missing"
	PrestartItemFailed   Code = "prestart-item-failed"
	CareMissed           Code = "care-missed"
	CareLate             Code = "care-late"
	FilterDamaged        Code = "filter-damaged"
	FilterBlocking       Code = "filter-blocking"
	VacuumImpossible     Code = "vacuum-impossible"
	OilHot               Code = "oil-hot"
	OilWarm              Code = "oil-warm"
	FlushOdd             Code = "flush-odd"
	AxleOver             Code = "axle-over-permitted"
	BridgeOver           Code = "bridge-formula-exceeded"
	LevelUnusable        Code = "level-unusable"
	HeldOverCapacity     Code = "held-over-new-capacity"
	LoadsOverlap         Code = "loads-overlap"
	SpoilRefused         Code = "spoil-refused"
	SpoilReturned        Code = "spoil-returned"
	ReturnedOverTipped   Code = "returned-over-tipped"
	ReturnUnmatched      Code = "return-unmatched"
	ReclassifiedAfter    Code = "reclassified-after"
	HazardReclassified   Code = "hazard-reclassified"
	MirrorNotAssessed    Code = "mirror-not-assessed"
	PlateShared          Code = "plate-shared"
	IssuedTipVoided      Code = "issued-tip-voided"
	AnswerUnmatched      Code = "answer-unmatched"
	NozzleDiffers        Code = "nozzle-differs"
)

// Rule is what the catalogue says of a code: how much it matters, what it means
// and what would settle it.
type Rule struct {
	Severity Severity
	Meaning  string
	Settle   string
}

// Finding is something a person should look at, with the events it rests on.
type Finding struct {
	Code     Code
	Severity Severity
	Truck    events.TruckID
	Job      events.JobID
	At       events.Time
	Since    events.Time // what is found lies anywhere from Since to At; zero when it is at At
	What     string
	Settle   string
	Cites    []uint64 // ledger positions, first that of the event that it is about
	Answers  []Answer // what was said to it, in the order of the ledger
}

// Touches reports whether what is found can lie in p.
func (f *Finding) Touches(p Period) bool {
	if f.Since.IsZero() {
		return p.Contains(f.At)
	}
	return !f.At.Before(p.From) && f.Since.Before(p.To)
}

// NewFinding makes a finding whose severity and remedy are the catalogue's.
func NewFinding(code Code, truck events.TruckID, at events.Time, cites []uint64, format string, args ...any) Finding {
	rule := RuleOf(code)
	return Finding{Code: code, Severity: rule.Severity, Truck: truck, At: at,
		What: fmt.Sprintf(format, args...), Settle: rule.Settle, Cites: slices.Clone(cites)}
}

// SortFindings orders findings by time, truck, code and text.
func SortFindings(fs []Finding) {
	slices.SortStableFunc(fs, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(a.At.UnixMS, b.At.UnixMS), cmp.Compare(a.Truck, b.Truck),
			cmp.Compare(a.Code, b.Code), cmp.Compare(a.What, b.What))
	})
}

// FindingGroup is the findings of one code and one severity.
type FindingGroup struct {
	Code     Code
	Severity Severity
	Count    int
	Open     int      // how many of them nobody has answered
	First    *Finding // in the order they were given
}

// GroupFindings groups findings by code, from serious to note, and those of one
// severity in the order of their first.
func GroupFindings(fs []Finding) []FindingGroup {
	type key struct {
		code     Code
		severity Severity
	}
	groups, at := []FindingGroup{}, map[key]int{}
	for i := range fs {
		k := key{fs[i].Code, fs[i].Severity}
		if _, seen := at[k]; !seen {
			at[k] = len(groups)
			groups = append(groups, FindingGroup{Code: k.code, Severity: k.severity, First: &fs[i]})
		}
		groups[at[k]].Count++
		if len(fs[i].Answers) == 0 {
			groups[at[k]].Open++
		}
	}
	slices.SortStableFunc(groups, func(a, b FindingGroup) int { return cmp.Compare(b.Severity.rank(), a.Severity.rank()) })
	return groups
}

// Example returns when and where the first of the group was, and what it is:
// "2026-10-20 TM-02: consignment TG02-0020: the permit had ended".
func (g FindingGroup) Example(p Period) string {
	where := []string{}
	if !g.First.At.IsZero() {
		where = append(where, p.Day(g.First.At))
	}
	for _, id := range []string{string(g.First.Truck), string(g.First.Job)} {
		if id != "" {
			where = append(where, id)
		}
	}
	if len(where) == 0 {
		return g.First.What
	}
	return strings.Join(where, " ") + ": " + g.First.What
}

// Severities lists the severities from most to least.
func Severities() []Severity { return []Severity{Serious, Warning, Note} }

// rank is higher the more a severity matters.
func (s Severity) rank() int {
	switch s {
	case Serious:
		return 3
	case Warning:
		return 2
	case Note:
		return 1
	}
	return 4 // unheard of, so not to be overlooked
}

// BySeverity returns findings from serious to note, those of one severity in the
// order given.
func BySeverity(fs []Finding) []Finding {
	sorted := slices.Clone(fs)
	slices.SortStableFunc(sorted, func(a, b Finding) int { return cmp.Compare(b.Severity.rank(), a.Severity.rank()) })
	return sorted
}

// Union returns the ledger positions of all lists once each, in ascending order.
func Union(lists ...[]uint64) []uint64 {
	all := slices.Concat(lists...)
	slices.Sort(all)
	return slices.Compact(all)
}

// RuleOf returns the catalogue's rule for a code.
func RuleOf(code Code) Rule {
	if r, ok := catalogue()[code]; ok {
		return r
	}
	return Rule{Severity: Serious, Meaning: string(code), Settle: "report this: the code is not in the catalogue"}
}

// Codes returns every code in alphabetical order.
func Codes() []Code {
	codes := []Code{}
	for c := range catalogue() {
		codes = append(codes, c)
	}
	slices.Sort(codes)
	return codes
}
