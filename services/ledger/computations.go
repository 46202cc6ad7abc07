package ledger

import (
	"encoding/hex"
	"slices"
	"strings"
	"time"

	"spoilbook/reports"
	"spoilbook/reports/axles"
	"spoilbook/reports/billable"
	"spoilbook/reports/care"
	"spoilbook/reports/manifest"
	"spoilbook/reports/stops"
	"spoilbook/reports/timesplit"
	"spoilbook/reports/water"
)

// ReportNames lists the reports.
func ReportNames() []string {
	return []string{"manifest", "water", "timesplit", "billable", "care", "stops", "axles"}
}

// computation returns how the report that q names is computed.
func computation(q ReportQuery) (computeFunc, error) {
	profile := manifest.Profile(q.Profile)
	if q.Profile == "" {
		profile = manifest.General
	}
	if !slices.Contains(manifest.Profiles(), profile) {
		return nil, Fail(BadRequest, "profile %q does not exist; there are %q", q.Profile, manifest.Profiles())
	}
	switch q.Name {
	case "manifest":
		return func(j *reports.Journal, r reports.Request, zone zones) reports.Document {
			return manifest.Compute(j, r, manifest.Options{Profile: profile, Zones: zone}).Document()
		}, nil
	case "water":
		return func(j *reports.Journal, r reports.Request, zone zones) reports.Document {
			return water.Compute(j, r, water.Options{Zones: zone}).Document()
		}, nil
	case "timesplit":
		return func(j *reports.Journal, r reports.Request, _ zones) reports.Document {
			return timesplit.Compute(j, r, timesplit.Options{}).Document()
		}, nil
	case "billable":
		return func(j *reports.Journal, r reports.Request, zone zones) reports.Document {
			return billable.Compute(j, r, billable.Options{Zones: zone}).Document()
		}, nil
	case "care":
		return func(j *reports.Journal, r reports.Request, _ zones) reports.Document {
			return care.Compute(j, r, care.Options{}).Document()
		}, nil
	case "stops":
		return func(j *reports.Journal, r reports.Request, _ zones) reports.Document {
			return stops.Compute(j, r).Document()
		}, nil
	case "axles":
		return func(j *reports.Journal, r reports.Request, _ zones) reports.Document {
			return axles.Compute(j, r, axles.Options{}).Document()
		}, nil
	}
	return nil, Fail(BadRequest, "report %q does not exist; there are %s", q.Name, strings.Join(ReportNames(), ", "))
}

// zones finds a time zone by its IANA name.
type zones = func(string) (*time.Location, error)

func hexOf(h [32]byte) string { return hex.EncodeToString(h[:]) }
