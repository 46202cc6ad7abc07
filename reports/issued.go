package reports

import (
	"slices"

	"spoilbook/events"
)

// checkVoidedTips finds tips that a manifest or an invoice was issued with and that
// were voided since. A report that was made afterwards lacks them.
func (j *Journal) checkVoidedTips(byPosition []*events.Recorded) {
	for i := range j.Office {
		issued, ok := j.Office[i].Body.(events.ReportIssued)
		if !ok || issued.Report != "manifest" && issued.Report != "billable" {
			continue
		}
		trucks := j.trucksIn(issued)
		for _, r := range byPosition {
			tip := j.voidedTip(r)
			if tip == nil || tip.Position > issued.Position || r.Position <= issued.Position || !j.concerns(r, issued, trucks) {
				continue
			}
			f := j.find(IssuedTipVoided, tip, "%s %s was issued at position %d with a tip that was voided at position %d",
				issued.Report, issued.Number, issued.Position, r.Position)
			f.Cites = append(f.Cites, r.Position)
			f.Cites = append(f.Cites, j.Office[i].Positions...)
		}
	}
}

// voidedTip returns the tip that r voids and that does not stand, or nil.
func (j *Journal) voidedTip(r *events.Recorded) *events.Recorded {
	if _, ok := r.Body.(events.EntryVoided); !ok {
		return nil
	}
	for at := r; ; {
		var ref events.Ref
		switch b := at.Body.(type) {
		case events.EntryVoided:
			ref = b.Refers
		case events.EntryCorrected:
			ref = b.Refers
		case events.SpoilTipped:
			if j.voided[at.Position] == r.Position {
				return at
			}
			return nil
		default:
			return nil
		}
		position, ok := j.byRef[ref]
		if !ok || position >= at.Position || !slices.Contains([]events.Kind{events.KindSpoilTipped, events.KindEntryCorrected, events.KindEntryVoided}, j.recorded[position].Kind()) {
			return nil
		}
		at = j.recorded[position]
	}
}
