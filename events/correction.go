package events

// EntryCorrected: what an earlier event said is replaced by Replacement for every
// report from this event's position on. The earlier event stays in the ledger.
type EntryCorrected struct {
	Refers      Ref         `json:"refers"`
	Reason      string      `json:"reason"`
	Author      string      `json:"author"`
	Replacement Replacement `json:"replacement"`
}

// Replacement is the corrected entry: envelope fields left empty stay as they
// were, and the body must be of the kind it replaces.
type Replacement struct {
	Occurred Time
	Operator OperatorID
	Job      JobID
	Body     Body
}

// EntryVoided: an earlier event is to be disregarded, for a reason.
type EntryVoided struct {
	Refers Ref    `json:"refers"`
	Reason string `json:"reason"`
	Author string `json:"author"`
}

// ReportIssued: a report was given out. Digest identifies its content; Position
// is the last ledger position it covers. What was chosen for the report is there
// where the report has that choice; an event from before the choice existed lacks it
// and means the usual.
type ReportIssued struct {
	Report   string   `json:"report"`
	Number   string   `json:"number"`
	From     Time     `json:"from"`
	To       Time     `json:"to"`
	TimeZone string   `json:"timeZone"`
	Position uint64   `json:"position"`
	Client   ClientID `json:"client,omitzero"`
	Job      JobID    `json:"job,omitzero"`
	Truck    TruckID  `json:"truck,omitzero"`
	Digest   string   `json:"digestSHA256"`
	Author   string   `json:"author"`

	Profile    string `json:"profile,omitzero"`    // completeness profile of a manifest
	Rest       string `json:"rest,omitzero"`       // rules of work and rest of a time split
	Allocation string `json:"allocation,omitzero"` // how a tip is shared over the loads in the tank
	AxleRule   string `json:"axleRule,omitzero"`   // what axles are held against
	AltitudeM  int64  `json:"altitudeM,omitzero"`  // of the sites, for the deepest vacuum there can be
}

// A site lies no lower and no higher than these, in metres above sea level.
const (
	MinAltitudeM = -500
	MaxAltitudeM = 6000
)

// Kind returns KindEntryCorrected.
func (EntryCorrected) Kind() Kind { return KindEntryCorrected }

// Kind returns KindEntryVoided.
func (EntryVoided) Kind() Kind { return KindEntryVoided }

// Kind returns KindReportIssued.
func (ReportIssued) Kind() Kind { return KindReportIssued }

// Check asks for the reference, a reason, an author and a valid replacement that
// is not itself a correction, a voiding or a revision.
func (e EntryCorrected) Check(c *Check) {
	c.Ref("refers", e.Refers)
	c.Text("reason", e.Reason, 1, 400)
	c.Text("author", e.Author, 1, 80)
	c.In("replacement", func() {
		r := e.Replacement
		if !r.Occurred.IsZero() {
			c.Time("time", r.Occurred)
		}
		c.OptionalID("operator", string(r.Operator))
		c.OptionalID("job", string(r.Job))
		if r.Body == nil {
			c.Fail("type", "nothing", "the kind of the entry it replaces")
			return
		}
		if k := r.Body.Kind(); !Correctable(k) {
			c.Fail("type", string(k), "a kind that can be corrected; send a new "+string(k)+" event instead")
			return
		}
		c.In("data", func() { r.Body.Check(c) })
	})
}

// Correctable reports whether entries of kind k can be corrected. A correction is
// itself replaced by a further correction of the same entry, and a revision by a
// later revision.
func Correctable(k Kind) bool {
	switch k {
	case KindEntryCorrected, KindEntryVoided, KindRegisterRevised, KindReportIssued:
		return false
	}
	return true
}

// Check asks for the reference, a reason and an author.
func (e EntryVoided) Check(c *Check) {
	c.Ref("refers", e.Refers)
	c.Text("reason", e.Reason, 1, 400)
	c.Text("author", e.Author, 1, 80)
}

// Check asks for the report, its number, period and digest.
func (r ReportIssued) Check(c *Check) {
	c.ID("report", r.Report)
	c.Text("number", r.Number, 1, 40)
	c.Time("from", r.From)
	c.Time("to", r.To)
	if !r.From.Before(r.To) {
		c.Fail("to", r.To.String(), "after from "+r.From.String())
	}
	c.Text("timeZone", r.TimeZone, 1, 60)
	c.OptionalID("client", string(r.Client))
	c.OptionalID("job", string(r.Job))
	c.OptionalID("truck", string(r.Truck))
	c.Text("digestSHA256", r.Digest, 64, 64)
	c.Text("author", r.Author, 1, 80)
	c.OptionalID("profile", r.Profile)
	c.OptionalID("rest", r.Rest)
	c.OptionalID("allocation", r.Allocation)
	c.OptionalID("axleRule", r.AxleRule)
	c.Between("altitudeM", r.AltitudeM, MinAltitudeM, MaxAltitudeM, "m")
	if r.Position > 1<<53 {
		c.Fail("position", "a larger number", "a position up to 2^53")
	}
}
