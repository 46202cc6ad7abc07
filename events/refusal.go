package events

// RefusalReason says why a facility did not take a load.
type RefusalReason string

// The reasons.
const (
	RefusedCode      RefusalReason = "waste-code"     // not on its permit, or not as described
	RefusedTooWet    RefusalReason = "too-wet"        // free liquids
	RefusedContents  RefusalReason = "contamination"  // something else was in it
	RefusedPapers    RefusalReason = "paperwork"      // note, permit or account not in order
	RefusedClosed    RefusalReason = "closed-or-full" // shut, or no room
	RefusedOtherwise RefusalReason = "other"
)

// SpoilRefused: a facility refused the load at its gate, or what was left of it
// after a part was tipped. Nothing left the tank.
type SpoilRefused struct {
	Facility FacilityID    `json:"facility"`
	Reason   RefusalReason `json:"reason"`
	Note     string        `json:"note,omitzero"`
}

// SpoilReturned: a facility gave back spoil that had been tipped there, and it was
// taken into the debris tank again. Exactly one of Whole, Volume, Mass and
// PortionPPM, as in [SpoilTipped] but of what was tipped, says how much.
type SpoilReturned struct {
	Start      Time          `json:"start"`
	End        Time          `json:"end"`
	Tip        Ref           `json:"tip"`
	Facility   FacilityID    `json:"facility"`
	Reason     RefusalReason `json:"reason"`
	Whole      bool          `json:"whole,omitzero"`
	Volume     *Volume       `json:"volume,omitzero"`
	Mass       *Mass         `json:"mass,omitzero"`
	PortionPPM int64         `json:"portionPPM,omitzero"`
	Note       string        `json:"note,omitzero"`
}

// Kind returns KindSpoilRefused.
func (SpoilRefused) Kind() Kind { return KindSpoilRefused }

// Kind returns KindSpoilReturned.
func (SpoilReturned) Kind() Kind { return KindSpoilReturned }

// Check asks for a facility and a reason.
func (r SpoilRefused) Check(c *Check) {
	c.ID("facility", string(r.Facility))
	checkReason(c, r.Reason)
	c.Text("note", r.Note, 0, 400)
}

// Check asks for a time interval, the tip, a facility, a reason and exactly one
// quantity.
func (r SpoilReturned) Check(c *Check) {
	c.Interval(r.Start, r.End)
	c.Ref("tip", r.Tip)
	c.ID("facility", string(r.Facility))
	checkReason(c, r.Reason)
	checkOneQuantity(c, r.Whole, r.Volume, r.Mass, r.PortionPPM, "parts per million of what was tipped")
	c.Text("note", r.Note, 0, 400)
}

func checkReason(c *Check, r RefusalReason) {
	c.OneOf("reason", string(r), string(RefusedCode), string(RefusedTooWet), string(RefusedContents), string(RefusedPapers),
		string(RefusedClosed), string(RefusedOtherwise))
}
