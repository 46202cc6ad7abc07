package events

// AnswerOutcome says what an answer to a finding comes to.
type AnswerOutcome string

// The outcomes.
const (
	AnswerExplained AnswerOutcome = "explained" // the figures are right as they stand, and why
	AnswerCorrected AnswerOutcome = "corrected" // an entry was corrected
	AnswerReported  AnswerOutcome = "reported"  // told to whoever must be told
	AnswerAccepted  AnswerOutcome = "accepted"  // noted, nothing to be done
)

// FindingAnswered: somebody answered a finding of a report. Code is the finding's
// code and Refers the event that it is about, which is the first that it cites. The
// finding stays visible, with the answer beside it.
type FindingAnswered struct {
	Code    string        `json:"code"`
	Refers  Ref           `json:"refers"`
	Outcome AnswerOutcome `json:"outcome"`
	Answer  string        `json:"answer"`
	Author  string        `json:"author"`
}

// Kind returns KindFindingAnswered.
func (FindingAnswered) Kind() Kind { return KindFindingAnswered }

// Check asks for a code, the event, an outcome, words and an author.
func (a FindingAnswered) Check(c *Check) {
	c.ID("code", a.Code)
	c.Ref("refers", a.Refers)
	c.OneOf("outcome", string(a.Outcome), string(AnswerExplained), string(AnswerCorrected), string(AnswerReported), string(AnswerAccepted))
	c.Text("answer", a.Answer, 1, 400)
	c.Text("author", a.Author, 1, 80)
}
