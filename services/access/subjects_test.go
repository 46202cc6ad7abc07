package access_test

import (
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// subjects says in full who may do what with which source over NATS: e enters, r reads receipts, l reads events live; - none of them. Trucks and
// crews have TM-01. reader is an administrator's token that only reads.
const subjects = `
source             truck crew yard office officer administrator reader
truck.TM-01        er    rl   rl   erl    rl      erl           rl
truck.TM-02        -     -    rl   erl    rl      erl           rl
truck.TM-011       -     -    rl   erl    rl      erl           rl
office.desk        -     -    r    erl    r       erl           rl
office.register    -     -    r    erl    r       erl           rl
`

func TestEveryRoleAndSubject(t *testing.T) {
	lines := strings.Split(strings.TrimSpace(subjects), "\n")
	roles := strings.Fields(lines[0])[1:]
	if len(roles) != len(access.Roles())+1 {
		t.Fatalf("the table has %d roles", len(roles))
	}
	for _, line := range lines[1:] {
		cells := strings.Fields(line)
		for k, want := range cells[1:] {
			who := access.Identity{Role: access.Role(roles[k]), ReadOnly: roles[k] == "reader"}
			switch roles[k] {
			case "reader":
				who.Role = access.Administrator
			case "truck", "crew":
				who.Trucks = []events.TruckID{"TM-01"}
			}
			s, err := who.Subjects()
			if err != nil {
				t.Fatal(err)
			}
			got := ""
			for _, part := range []struct {
				sign string
				list []string
			}{{"e", s.Enter}, {"r", s.Receipts}, {"l", s.Live}} {
				for _, pattern := range part.list {
					prefix, all := strings.CutSuffix(pattern, ">")
					if pattern == cells[0] || all && strings.HasPrefix(cells[0], prefix) {
						got += part.sign
					}
				}
			}
			if got == "" {
				got = "-"
			}
			if got != want {
				t.Errorf("%s as %s: %s, want %s", cells[0], roles[k], got, want)
			}
		}
	}
	_, err := access.Identity{}.Subjects()
	want(t, err, ledger.SignInNeeded)
}
