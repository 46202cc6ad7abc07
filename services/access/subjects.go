package access

import "spoilbook/services/ledger"

// Subjects is what somebody may do over NATS, where nobody reads what is in a message: classes and names of sources, "truck.TM-01", or patterns
// of them, "truck.>" and ">".
type Subjects struct {
	Enter    []string // to publish events
	Receipts []string // to read what became of them
	Live     []string // to read events as they come in, before they are judged
}

// Subjects says what an identity may do over NATS. Who enters events in part only, by kind or by truck, has to do so over HTTP, where each event
// is looked at; what holds prices is read by those who deal in them.
func (i Identity) Subjects() (Subjects, error) {
	var s Subjects
	switch i.Role {
	case Truck, Crew:
		for _, t := range i.Trucks {
			own := "truck." + string(t)
			s.Receipts = append(s.Receipts, own)
			if i.Role == Truck {
				s.Enter = append(s.Enter, own)
			} else {
				s.Live = append(s.Live, own)
			}
		}
	case Yard, Officer:
		s = Subjects{Receipts: []string{">"}, Live: []string{"truck.>"}}
	case Office, Administrator:
		s = Subjects{Enter: []string{">"}, Receipts: []string{">"}, Live: []string{">"}}
	default:
		return s, ledger.Fail(ledger.SignInNeeded, "NATS is for those who have a token")
	}
	if i.ReadOnly {
		s.Enter = nil
	}
	return s, nil
}
