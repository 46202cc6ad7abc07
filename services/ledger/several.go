package ledger

import (
	"context"
	"slices"
	"strings"

	"spoilbook/reports"
)

// Reports computes several reports by their usual choices from one reading of the ledger, for the same period and filter, in the order of names.
// It gives what [Ledger.Report] gives for each.
func (l *Ledger) Reports(ctx context.Context, names []string, p reports.Period, f reports.Filter, upTo uint64) ([]*Report, error) {
	queries := make([]ReportQuery, len(names))
	computes := make([]computeFunc, len(names))
	for i, name := range names {
		if !slices.Contains(ReportNames(), name) {
			return nil, Fail(BadRequest, "report %q does not exist; there are %s", name, strings.Join(ReportNames(), ", "))
		}
		q := ReportQuery{Name: name, Period: p, Filter: f}
		var err error
		if q.Choices, err = q.Choices.settled(name); err != nil {
			return nil, err
		}
		if computes[i], err = computation(q); err != nil {
			return nil, err
		}
		queries[i] = q
	}
	head, err := l.store.Head(ctx)
	if err != nil {
		return nil, Wrap(StoreDown, err, "reports")
	}
	if upTo == 0 {
		upTo = head.Position
	}
	if upTo > head.Position {
		return nil, Fail(NotFound, "reports: the ledger stands at position %d, not yet at %d", head.Position, upTo)
	}
	j, err := l.Journal(ctx, f.Truck, upTo)
	if err != nil {
		return nil, Wrap(StoreDown, err, "reports")
	}
	if err := known(j, f); err != nil {
		return nil, err
	}
	out := make([]*Report, len(names))
	for i := range queries {
		queries[i].UpTo = upTo
		if out[i], err = l.compose(queries[i], head, j, computes[i]); err != nil {
			return nil, err
		}
	}
	return out, nil
}
