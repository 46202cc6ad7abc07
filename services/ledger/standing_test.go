package ledger

import (
	"strings"
	"testing"
	"time"
)

// sound is a ledger of 100 events from 120 messages, with 5 more received.
func sound() Standing {
	root := [32]byte{7}
	return Standing{Stream: "S@1", First: 1, Last: 125, Acknowledged: 120, Handled: 120,
		Head:      Head{Position: 100, Root: root, RootPosition: 100, At: time.UnixMilli(1)},
		Adoptions: Adoptions{{Number: 1, Stream: "S@1"}},
		HighWater: HighWater{Stream: "S@1", Received: 125, Handled: 120, Position: 100, Root: root}, RootAtHighWater: root}
}

// Each way in which broker and store can fail to fit is told, with what repairs it.
func TestStandingsThatDoNotFit(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Standing)
		says   string // with the command
	}{
		{"the broker's folder was lost", func(s *Standing) { s.Stream, s.Last, s.Acknowledged, s.Handled = "S@2", 0, 0, 0 }, "stream S@2 is new, and the ledger stands at position 100, taken in from S@1; repair broker"},
		{"it was lost when all was quarantined", func(s *Standing) {
			*s = Standing{Stream: "S@2", Head: Head{At: time.UnixMilli(1)}}
		}, "S@2 is new; repair broker"},
		{"it was lost before anything was recorded", func(s *Standing) {
			*s = Standing{Stream: "S@2", Adoptions: Adoptions{{Number: 1, Stream: "S@1"}}}
		}, "S@2 is new; repair broker"},
		{"both were lost", func(s *Standing) {
			s.Stream, s.Last, s.Acknowledged, s.Handled, s.Head, s.Adoptions = "S@2", 0, 0, 0, Head{}, nil
		}, "the ledger stood at position 100; the folders of both were lost; Restore from a backup"},
		{"the engine's folder was lost", func(s *Standing) { s.Handled, s.Head, s.Adoptions = 0, Head{}, nil }, "the store is empty, but the broker counts messages up to 120; repair store"},
		{"the engine's folder was lost, without a high water", func(s *Standing) {
			s.Handled, s.Head, s.Adoptions, s.HighWater = 0, Head{}, nil, HighWater{}
		}, "the store is empty; repair store"},
		{"the engine is an older copy", func(s *Standing) { s.Handled, s.Head.Position = 50, 40 }, "has handled message 50 of S@1, but the broker counts messages up to 120; repair store"},
		{"the engine is an older copy, and the broker forgot its reader", func(s *Standing) { s.Handled, s.Head.Position, s.Acknowledged = 50, 40, 0 }, "stands at position 40, but stood at 100; repair store"},
		{"the engine is another one", func(s *Standing) { s.RootAtHighWater = [32]byte{8} }, "the root over the first 100 events is 08; check"},
		{"the engine has no block there", func(s *Standing) { s.RootAtHighWater = [32]byte{} }, "the root over the first 100 events; check"},
		{"the broker is an older copy", func(s *Standing) { s.Last = 119 }, "ends at message 119, but message 120 is recorded; repair broker"},
		{"the broker lost what was not recorded", func(s *Standing) { s.Last = 123 }, "messages 124 to 125 are lost; repair broker"},
		{"messages are missing", func(s *Standing) { s.Deleted = 2 }, "lacks 2 of its messages 1 to 125; repair broker"},
		{"recorded messages are gone", func(s *Standing) { s.First = 11 }, "begins at message 11; repair broker"},
		{"messages that were not recorded are gone", func(s *Standing) { s.First = 123 }, "messages 121 to 122 are gone; repair broker"},
	} {
		s := sound()
		c.change(&s)
		adopt, err := s.Judge()
		if CodeOf(err) != Damaged || adopt != nil {
			t.Errorf("%s: %v (%s), adoption %v", c.name, err, CodeOf(err), adopt)
			continue
		}
		for part := range strings.SplitSeq(c.says, "; ") {
			if !strings.Contains(err.Error(), part) {
				t.Errorf("%s: %q does not say %q", c.name, err, part)
			}
		}
	}
}

// What can have come about by both growing is no damage.
func TestStandingsThatFit(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Standing)
		adopts *Adoption
	}{
		{"a start like any other", func(*Standing) {}, nil},
		{"the acknowledgement was forgotten", func(s *Standing) { s.Acknowledged = 0 }, nil},
		{"the first start", func(s *Standing) { *s = Standing{Stream: "S@1", Last: 3} }, &Adoption{Stream: "S@1"}},
		{"a ledger from before adoptions were kept", func(s *Standing) { s.Adoptions, s.HighWater = nil, HighWater{} }, nil},
		{"the high water is behind", func(s *Standing) { s.HighWater.Received, s.HighWater.Position = 60, 50 }, nil},
		{"messages were cut off on purpose", func(s *Standing) {
			s.First = 11
			s.Adoptions = append(s.Adoptions, Adoption{Number: 2, Stream: "S@1", First: 11})
		}, nil},
		{"the store takes in again", func(s *Standing) {
			s.Handled, s.Head.Position, s.HighWater = 50, 40, HighWater{}
			s.Adoptions = append(s.Adoptions, Adoption{Number: 2, Stream: "S@1", Again: 120})
		}, nil},
		{"a restored store beside a new broker", func(s *Standing) {
			s.Stream, s.Last, s.Acknowledged, s.Handled = "S@2", 3, 0, 0
			s.Adoptions = append(s.Adoptions, Adoption{Number: 2, Stream: AnyStream})
		}, &Adoption{Stream: "S@2"}},
		{"a restored store beside a broker that went on", func(s *Standing) {
			s.Handled, s.Head.Position = 50, 40
			s.Adoptions = append(s.Adoptions, Adoption{Number: 2, Stream: AnyStream})
		}, &Adoption{Stream: "S@1", Again: 120}},
		{"a store and a broker restored from one backup", func(s *Standing) {
			s.Handled, s.Head.Position, s.Acknowledged, s.Last = 50, 40, 50, 60
			s.Adoptions = append(s.Adoptions, Adoption{Number: 2, Stream: AnyStream})
		}, &Adoption{Stream: "S@1", Again: 50}},
	} {
		s := sound()
		c.change(&s)
		adopt, err := s.Judge()
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if (adopt == nil) != (c.adopts == nil) || adopt != nil && (adopt.Stream != c.adopts.Stream || adopt.Again != c.adopts.Again) {
			t.Errorf("%s: adopts %+v, want %+v", c.name, adopt, c.adopts)
		}
	}
}

// What was adopted for the next stream is taken up once.
func TestAnyStreamIsTakenUpOnce(t *testing.T) {
	s := sound()
	s.Stream, s.Last, s.Acknowledged, s.Handled = "S@2", 0, 0, 0
	s.Adoptions = append(s.Adoptions, Adoption{Number: 2, Stream: AnyStream, Author: "Yard office"})
	taken, err := s.Judge()
	if err != nil || taken == nil || taken.Author != "Yard office" {
		t.Fatalf("%+v, %v", taken, err)
	}
	taken.Number = 3
	s.Adoptions, s.HighWater = append(s.Adoptions, *taken), HighWater{}
	if again, err := s.Judge(); again != nil || err != nil {
		t.Errorf("the same stream: %+v, %v", again, err)
	}
	s.Stream = "S@3"
	if again, err := s.Judge(); again != nil || CodeOf(err) != Damaged {
		t.Errorf("another stream: %+v, %v", again, err)
	}
}
