package ledger

import (
	"encoding/hex"
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
	"spoilbook/reports/workrest"
)

// ReportNames lists the reports.
func ReportNames() []string {
	return []string{"manifest", "water", "timesplit", "billable", "care", "stops", "axles"}
}

// Computed is a report of any name. Those whose lines can be explained are a
// [reports.Explainer] as well.
type Computed interface {
	// Document returns the report as it is shown.
	Document() reports.Document
}

// computation returns how the report that q names is computed by its settled choices.
func computation(q ReportQuery) (computeFunc, error) {
	rest, ok := workrest.Named(q.Rest)
	if !ok {
		return nil, Fail(BadRequest, "rules of work and rest %q do not exist; there are %q", q.Rest, workrest.Names())
	}
	switch q.Name {
	case "manifest":
		return func(j *reports.Journal, r reports.Request, zone zones) Computed {
			return manifest.Compute(j, r, manifest.Options{Profile: manifest.Profile(q.Profile), Tank: q.tank(), Zones: zone})
		}, nil
	case "water":
		return func(j *reports.Journal, r reports.Request, zone zones) Computed {
			return water.Compute(j, r, water.Options{Tank: q.tank(), Zones: zone})
		}, nil
	case "timesplit":
		return func(j *reports.Journal, r reports.Request, _ zones) Computed {
			return timesplit.Compute(j, r, timesplit.Options{Rest: rest, Tank: q.tank()})
		}, nil
	case "billable":
		return func(j *reports.Journal, r reports.Request, zone zones) Computed {
			return billable.Compute(j, r, billable.Options{Tank: q.tank(), Zones: zone})
		}, nil
	case "care":
		return func(j *reports.Journal, r reports.Request, _ zones) Computed {
			return care.Compute(j, r, care.Options{AltitudeM: q.AltitudeM})
		}, nil
	case "stops":
		return func(j *reports.Journal, r reports.Request, _ zones) Computed {
			return stops.Compute(j, r)
		}, nil
	case "axles":
		return func(j *reports.Journal, r reports.Request, _ zones) Computed {
			return axles.Compute(j, r, axles.Options{Rule: q.axles(), Tank: q.tank()})
		}, nil
	}
	return nil, Fail(BadRequest, "report %q does not exist; there are %s", q.Name, strings.Join(ReportNames(), ", "))
}

// zones finds a time zone by its IANA name.
type zones = func(string) (*time.Location, error)

func hexOf(h [32]byte) string { return hex.EncodeToString(h[:]) }
