package events

// HoldPlaced: from now on nothing that the ledger rests on may be done away with,
// because somebody is bound to keep it. Name identifies the hold until it is lifted.
type HoldPlaced struct {
	Name   string `json:"name"`
	Reason string `json:"reason"`
	Author string `json:"author"`
}

// HoldLifted: the hold of that name is over.
type HoldLifted struct {
	Name   string `json:"name"`
	Reason string `json:"reason"`
	Author string `json:"author"`
}

// Kind returns KindHoldPlaced.
func (HoldPlaced) Kind() Kind { return KindHoldPlaced }

// Check asks for a name, a reason and an author.
func (h HoldPlaced) Check(c *Check) { checkHold(c, h.Name, h.Reason, h.Author) }

// Kind returns KindHoldLifted.
func (HoldLifted) Kind() Kind { return KindHoldLifted }

// Check asks for a name, a reason and an author.
func (h HoldLifted) Check(c *Check) { checkHold(c, h.Name, h.Reason, h.Author) }

func checkHold(c *Check, name, reason, author string) {
	c.ID("name", name)
	c.Text("reason", reason, 1, 400)
	c.Text("author", author, 1, 80)
}
