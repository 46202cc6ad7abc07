package access_test

import (
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// matrix says in full who may do what. y: yes; -: no; t: only with an own truck named; s: not for a truck of others.
const matrix = `
operation                 nobody truck crew yard office officer administrator
live                      y      y     y    y    y      y       y
ready                     y      y     y    y    y      y       y
description               y      y     y    y    y      y       y
stream-description        y      y     y    y    y      y       y
sign-in                   y      y     y    y    y      y       y
sign-out                  y      y     y    y    y      y       y
begin                     y      y     y    y    y      y       y
metrics                   -      -     -    -    -      -       y
head                      -      y     y    y    y      y       y
who-am-i                  -      y     y    y    y      y       y
set-own-password          -      -     y    y    y      y       y
submit-events             -      s     s    y    y      -       y
await-events              -      y     y    y    y      -       y
list-events               -      -     t    y    y      y       y
get-event                 -      -     y    y    y      y       y
events-csv                -      -     t    y    y      y       y
events-parquet            -      -     t    y    y      y       y
list-sources              -      -     -    y    y      y       y
list-reports              -      y     y    y    y      y       y
run-report                -      -     t    y    y      y       y
list-lines                -      -     t    y    y      y       y
explain-line              -      -     t    y    y      y       y
issue-report              -      -     -    -    y      -       y
list-issued               -      -     -    -    y      y       y
adjustment                -      -     -    -    y      -       y
yard                      -      -     t    y    y      y       y
postings                  -      -     -    -    y      y       y
rebuild                   -      -     -    -    -      y       y
list-quarantine           -      -     -    y    y      y       y
get-quarantine-entry      -      -     -    y    y      y       y
release-quarantine-entry  -      -     -    -    y      -       y
dismiss-quarantine-entry  -      -     -    -    y      -       y
copy-ledger               -      -     -    -    -      -       y
list-own-sessions         -      -     y    y    y      y       y
end-own-session           -      -     y    y    y      y       y
unlock-user               -      -     -    -    -      -       y
copy-people               -      -     -    -    -      -       y
list-users                -      -     -    -    -      -       y
change-user               -      -     -    -    -      -       y
list-tokens               -      -     -    -    -      -       y
make-token                -      -     -    -    -      -       y
revoke-token              -      -     -    -    -      -       y
`

func TestEveryRoleAndOperation(t *testing.T) {
	lines := strings.Split(strings.TrimSpace(matrix), "\n")
	roles := strings.Fields(lines[0])[1:]
	if len(roles) != len(access.Roles())+1 {
		t.Fatalf("the matrix has %d roles, there are %d and nobody", len(roles), len(access.Roles()))
	}
	seen := map[access.Operation]bool{}
	for _, line := range lines[1:] {
		cells := strings.Fields(line)
		op := access.Operation(cells[0])
		seen[op] = true
		for k, want := range cells[1:] {
			checkCell(t, op, roles[k], want)
		}
	}
	for _, op := range access.Operations() {
		if !seen[op] {
			t.Errorf("%s is not in the matrix", op)
		}
	}
	if len(seen) != len(access.Operations()) {
		t.Errorf("the matrix has %d operations, there are %d", len(seen), len(access.Operations()))
	}
}

func checkCell(t *testing.T, op access.Operation, role, want string) {
	t.Helper()
	who := access.Identity{Name: "x", Role: access.Role(role)}
	refused := ledger.NotAllowed
	if role == "nobody" {
		who.Role, refused = "", ledger.SignInNeeded
	}
	if who.Role == access.Truck || who.Role == access.Crew {
		who.Trucks = []events.TruckID{"TM-01", "TM-02"}
	}
	for _, c := range []struct {
		truck   events.TruckID
		allowed bool
	}{
		{"TM-02", want != "-"},
		{"", want == "y" || want == "s"},
		{"TM-03", want == "y"},
	} {
		err := who.May(op, access.Object{Truck: c.truck})
		if c.allowed && err != nil {
			t.Errorf("%s may do %s with truck %q, but: %v", role, op, c.truck, err)
		}
		if !c.allowed && ledger.CodeOf(err) != refused {
			t.Errorf("%s may not do %s with truck %q, but: %v", role, op, c.truck, err)
		}
	}
}

func TestAnUnknownOperationIsNobodys(t *testing.T) {
	for _, r := range access.Roles() {
		if err := (access.Identity{Role: r}).May("burn-everything", access.Object{}); ledger.CodeOf(err) != ledger.NotAllowed {
			t.Errorf("%s: %v", r, err)
		}
	}
}

func TestPricesAreForTheOffice(t *testing.T) {
	for _, r := range access.Roles() {
		who := access.Identity{Role: r, Trucks: []events.TruckID{"TM-01"}}
		desk := r == access.Office || r == access.Administrator
		for _, op := range []access.Operation{access.RunReport, access.ListLines, access.ExplainLine} {
			if got := who.May(op, access.Object{Report: "billable", Truck: "TM-01"}) == nil; got != desk {
				t.Errorf("%s: %s of billable allowed: %v", r, op, got)
			}
		}
		for _, register := range []events.Register{events.RateCardRegister, events.TaxRegister} {
			if got := who.MaySee("", register); got != desk {
				t.Errorf("%s sees register %s: %v", r, register, got)
			}
		}
		if got := who.MaySee("", events.JobRegister); got != (r != access.Truck) {
			t.Errorf("%s sees register job: %v", r, got)
		}
		if got, want := who.MaySee("TM-09", ""), r != access.Truck && r != access.Crew; got != want {
			t.Errorf("%s sees an event of another truck: %v", r, got)
		}
	}
}

func TestWhoEntersWhat(t *testing.T) {
	for _, c := range []struct {
		role  access.Role
		kind  events.Kind
		from  events.Source
		wants bool
	}{
		{access.Truck, events.KindLoadCollected, "/truck/TM-01", true},
		{access.Truck, events.KindLoadCollected, "/truck/TM-02", false},
		{access.Truck, events.KindLoadCollected, "/office/TM-01", false},
		{access.Truck, events.KindLoadCollected, "TM-01", false},
		{access.Truck, events.KindRegisterRevised, "/truck/TM-01", false},
		{access.Crew, events.KindDocketReceived, "/office/crew", true},
		{access.Crew, events.KindFindingAnswered, "/office/crew", false},
		{access.Crew, events.KindReportIssued, "/office/crew", false},
		{access.Yard, events.KindFindingAnswered, "/office/yard", true},
		{access.Yard, events.KindRegisterRevised, "/office/yard", false},
		{access.Office, events.KindRegisterRevised, "/office/desk", true},
		{access.Office, events.KindReportIssued, "/office/desk", true},
		{access.Officer, events.KindFindingAnswered, "/office/officer", false},
		{access.Administrator, events.KindRegisterRevised, "/office/desk", true},
	} {
		who := access.Identity{Role: c.role}
		if c.role == access.Truck || c.role == access.Crew {
			who.Trucks = []events.TruckID{"TM-01"}
		}
		err := who.May(access.SubmitEvents, access.Object{Truck: "TM-01", Kind: c.kind, Source: c.from})
		if (err == nil) != c.wants {
			t.Errorf("%s enters %s from %s: %v", c.role, c.kind, c.from, err)
		}
	}
}
