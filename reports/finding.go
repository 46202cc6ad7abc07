package reports

import (
	"cmp"
	"fmt"
	"slices"

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
	NotBillable          Code = "not-billable"
	MixedCurrencies      Code = "mixed-currencies"
	GateFeeUnknown       Code = "gate-fee-unknown"
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
	What     string
	Settle   string
	Cites    []uint64 // ledger positions
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
