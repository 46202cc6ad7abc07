package access

import (
	"slices"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// Operation is something that the service does when asked. Its name is the operation id in the description of the API.
type Operation string

// The operations.
const (
	Live           Operation = "live"
	Ready          Operation = "ready"
	Metrics        Operation = "metrics"
	Description    Operation = "description"
	Head           Operation = "head"
	DescribeStream Operation = "stream-description"

	SubmitEvents  Operation = "submit-events"
	AwaitEvents   Operation = "await-events"
	ListEvents    Operation = "list-events"
	GetEvent      Operation = "get-event"
	EventsCSV     Operation = "events-csv" // many of them, as rows
	EventsParquet Operation = "events-parquet"
	ListSources   Operation = "list-sources"

	ListReports Operation = "list-reports"
	RunReport   Operation = "run-report"
	ListLines   Operation = "list-lines"
	ExplainLine Operation = "explain-line"
	IssueReport Operation = "issue-report"
	ListIssued  Operation = "list-issued"
	Adjustment  Operation = "adjustment"
	Postings    Operation = "postings"
	YardNow     Operation = "yard" // how trucks stand now
	Rebuild     Operation = "rebuild"
	CopyLedger  Operation = "copy-ledger"

	ListQuarantine    Operation = "list-quarantine"
	GetQuarantine     Operation = "get-quarantine-entry"
	ReleaseQuarantine Operation = "release-quarantine-entry"
	DismissQuarantine Operation = "dismiss-quarantine-entry"

	SignIn      Operation = "sign-in"
	SignOut     Operation = "sign-out"
	Begin       Operation = "begin" // the first administrator, by the code of the first start
	WhoAmI      Operation = "who-am-i"
	SetPassword Operation = "set-own-password"
	OwnSessions Operation = "list-own-sessions"
	EndSession  Operation = "end-own-session"
	UnlockUser  Operation = "unlock-user" // after wrong passwords
	CopyPeople  Operation = "copy-people" // users and tokens, as hashes, for a backup
	ListUsers   Operation = "list-users"
	ChangeUser  Operation = "change-user"
	ListTokens  Operation = "list-tokens"
	MakeToken   Operation = "make-token"
	RevokeToken Operation = "revoke-token"
)

// Object is what an operation is done to; what is empty is not said. One that says nothing about trucks concerns all of them.
type Object struct {
	Report string         // name of the report
	Truck  events.TruckID // the truck it is limited to
	Kind   events.Kind    // of an event that is entered
	Source events.Source  // under which it is entered
}

// rule says who may do an operation.
type rule struct {
	roles   []Role
	anybody bool // without having signed in
	bound   bool // crews and trucks only for their own trucks, which the object must then name
}

func people() []Role   { return []Role{Crew, Yard, Office, Officer, Administrator} }
func readers() []Role  { return []Role{Yard, Office, Officer, Administrator} }
func auditors() []Role { return []Role{Office, Officer, Administrator} }
func desk() []Role     { return []Role{Office, Administrator} }
func keepers() []Role  { return []Role{Administrator} }
func writers() []Role  { return []Role{Truck, Crew, Yard, Office, Administrator} }

// ruleOf is the table. An operation that is not in it is nobody's.
func ruleOf(op Operation) (rule, bool) {
	switch op {
	case Live, Ready, Description, DescribeStream, SignIn, SignOut, Begin:
		return rule{anybody: true}, true
	case Head, WhoAmI, ListReports:
		return rule{roles: Roles()}, true
	case SetPassword, OwnSessions, EndSession:
		return rule{roles: people()}, true
	case SubmitEvents:
		return rule{roles: writers()}, true // for which trucks, mayEnter says
	case AwaitEvents:
		return rule{roles: writers()}, true
	case ListEvents, EventsCSV, EventsParquet:
		return rule{roles: people(), bound: true}, true
	case GetEvent: // which of them, MaySee says
		return rule{roles: people()}, true
	case RunReport, ListLines, ExplainLine, YardNow:
		return rule{roles: people(), bound: true}, true
	case ListIssued, Postings:
		return rule{roles: auditors()}, true
	case Adjustment, IssueReport:
		return rule{roles: desk()}, true
	case ListQuarantine, GetQuarantine, ListSources:
		return rule{roles: readers()}, true
	case ReleaseQuarantine, DismissQuarantine:
		return rule{roles: desk()}, true
	case Rebuild:
		return rule{roles: []Role{Officer, Administrator}}, true
	case Metrics, CopyLedger:
		return rule{roles: keepers()}, true
	case ListUsers, ChangeUser, UnlockUser, CopyPeople, ListTokens, MakeToken, RevokeToken:
		return rule{roles: keepers()}, true
	}
	return rule{}, false
}

// Operations lists every operation of the table.
func Operations() []Operation {
	return []Operation{Live, Ready, Metrics, Description, DescribeStream, Head, SubmitEvents, AwaitEvents, ListEvents, GetEvent, EventsCSV, EventsParquet, ListSources, ListReports, RunReport,
		ListLines, ExplainLine, IssueReport, ListIssued, Adjustment, Postings, YardNow, Rebuild, CopyLedger, ListQuarantine, GetQuarantine, ReleaseQuarantine,
		DismissQuarantine, SignIn, SignOut, Begin, WhoAmI, SetPassword, OwnSessions, EndSession, ListUsers, ChangeUser, UnlockUser, CopyPeople, ListTokens, MakeToken, RevokeToken}
}

// reading reports whether an operation changes nothing, so that a token that only reads may do it. One that is not named here changes something.
func reading(op Operation) bool {
	switch op {
	case Live, Ready, Metrics, Description, DescribeStream, Head, WhoAmI, AwaitEvents, ListEvents, GetEvent, EventsCSV, EventsParquet, ListSources, ListReports, RunReport, ListLines, ExplainLine,
		ListIssued, Adjustment, Postings, YardNow, Rebuild, CopyLedger, ListQuarantine, GetQuarantine, ListUsers, ListTokens, CopyPeople:
		return true
	}
	return false
}

// May returns nil when the identity may do an operation to an object, and otherwise an error with the code not-allowed, or
// sign-in-needed for who has not signed in, that says what is missing.
func (i Identity) May(op Operation, o Object) error {
	r, ok := ruleOf(op)
	switch {
	case ok && r.anybody:
		return nil
	case i.Role == "":
		return ledger.Fail(ledger.SignInNeeded, "%s is for those who have signed in", op)
	case !ok || !slices.Contains(r.roles, i.Role):
		return ledger.Fail(ledger.NotAllowed, "the role %s does not include %s", i.Role, op)
	case i.ReadOnly && !reading(op):
		return ledger.Fail(ledger.NotAllowed, "the token may only read, and %s changes something: make one that may", op)
	case r.bound && i.Role.bound() && o.Truck == "":
		return ledger.Fail(ledger.NotAllowed, "the role %s sees its own trucks only (%s): name one of them", i.Role, names(i.Trucks))
	case r.bound && !i.Has(o.Truck):
		return ledger.Fail(ledger.NotAllowed, "truck %s is none of yours (%s)", o.Truck, names(i.Trucks))
	case op == RunReport || op == ListLines || op == ExplainLine || op == IssueReport:
		return i.mayReport(o.Report)
	case op == SubmitEvents:
		return i.mayEnter(o)
	}
	return nil
}

// mayReport keeps prices to those who deal in them.
func (i Identity) mayReport(name string) error {
	if name == "billable" && !slices.Contains(desk(), i.Role) {
		return ledger.Fail(ledger.NotAllowed, "the role %s does not include prices, so not the report billable", i.Role)
	}
	return nil
}

// MaySee reports whether the identity may read a recorded event: of what truck, and for a register entry, of which register.
func (i Identity) MaySee(truck events.TruckID, register events.Register) bool {
	if !slices.Contains(people(), i.Role) {
		return false
	}
	if priced(register) {
		return slices.Contains(desk(), i.Role)
	}
	return !i.Role.bound() || register != "" || i.Has(truck)
}

func priced(r events.Register) bool {
	return r == events.RateCardRegister || r == events.TaxRegister
}

// mayEnter says which facts a role can vouch for. An object that says nothing is a submission whose events were not looked at yet.
func (i Identity) mayEnter(o Object) error {
	switch o.Kind {
	case events.KindRegisterRevised, events.KindReportIssued, events.KindHoldPlaced, events.KindHoldLifted:
		if !slices.Contains(desk(), i.Role) {
			return ledger.Fail(ledger.NotAllowed, "%s is entered by the office or an administrator, not in the role %s", o.Kind, i.Role)
		}
	case events.KindFindingAnswered:
		if i.Role.bound() {
			return ledger.Fail(ledger.NotAllowed, "%s is entered by the yard, the office or an administrator, not in the role %s", o.Kind, i.Role)
		}
	}
	if i.Role.bound() && o != (Object{}) && !i.Has(o.Truck) {
		return ledger.Fail(ledger.NotAllowed, "truck %q is none of yours (%s)", o.Truck, names(i.Trucks))
	}
	class, name, ok := o.Source.Split()
	if i.Role == Truck && o.Source != "" && (!ok || class != "truck" || !i.Has(events.TruckID(name))) {
		return ledger.Fail(ledger.NotAllowed, "a truck enters events under its own source, not %s", o.Source)
	}
	return nil
}

func names(trucks []events.TruckID) string {
	if len(trucks) == 0 {
		return "none"
	}
	text := ""
	for k, t := range trucks {
		if k > 0 {
			text += ", "
		}
		text += string(t)
	}
	return text
}
