package ledger

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/billable"
)

// Exporter writes a computed report, for its digest to be taken.
type Exporter func(ctx context.Context, w io.Writer, r *Report) error

// Issued is a report that was given out, as its event says.
type Issued struct {
	events.ReportIssued
	At            events.Time // when it was issued
	EventPosition uint64      // of the event in the ledger; the report covers Position
}

// Choices returns what was chosen for the report, so that it is computed so again.
func (i *Issued) Choices() Choices {
	return Choices{Profile: i.Profile, Rest: i.Rest, Allocation: i.Allocation, AxleRule: i.AxleRule, AltitudeM: i.AltitudeM}
}

// issueDesk is the office desk that counts issued reports.
const issueDesk = "issue"

// numberPattern is what a number can be, so that it can stand in an address and a
// file's name.
var numberPattern = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,39}$`)

// Issue computes a report at the head and records that it was given out under a
// number: an event with the position it covers and the SHA-256 digest of what export
// writes of it. The same query at that position gives the same report for ever, so
// nothing that comes later changes what was issued; see [Ledger.Adjustment]. A number
// is given once.
func (l *Ledger) Issue(ctx context.Context, q ReportQuery, number, author string, export Exporter) (Issued, error) {
	if err := issuable(q, number, author); err != nil {
		return Issued{}, err
	}
	if l.publisher == nil {
		return Issued{}, Fail(ReadOnly, "issue %s: this ledger was opened for reading only", number)
	}
	l.issuing.Lock()
	defer l.issuing.Unlock()
	seq, err := l.nextIssue(ctx, number)
	if err != nil {
		return Issued{}, err
	}
	r, err := l.Report(ctx, q)
	if err != nil {
		return Issued{}, err
	}
	digest, err := digestOf(ctx, r, export)
	if err != nil {
		return Issued{}, Wrap(Internal, err, "issue %s", number)
	}
	out := Issued{At: events.TimeOf(l.now().In(q.Period.Zone)), ReportIssued: events.ReportIssued{Report: q.Name, Number: number, From: q.Period.From, To: q.Period.To,
		TimeZone: q.Period.Zone.String(), Position: r.Position, Client: q.Filter.Client, Job: q.Filter.Job, Truck: q.Filter.Truck, Digest: digest, Author: author,
		Profile: r.Query.Profile, Rest: r.Query.Rest, Allocation: r.Query.Allocation, AxleRule: r.Query.AxleRule, AltitudeM: r.Query.AltitudeM}}
	e := events.Event{ID: fmt.Sprintf("issued-%d", seq), Source: events.OfficeSource(issueDesk), Seq: seq, Occurred: out.At, Origin: events.FromOffice, Body: out.ReportIssued}
	if err := e.Validate(); err != nil {
		return Issued{}, Wrap(BadRequest, err, "issue %s", number)
	}
	out.EventPosition, err = l.record(ctx, &e)
	return out, Wrap(Internal, err, "issue %s", number)
}

// issuable refuses what no event could find again.
func issuable(q ReportQuery, number, author string) error {
	switch {
	case !numberPattern.MatchString(number):
		return Fail(BadRequest, "issue: number: found %q; allowed: 1 to 40 letters, digits, dots, _ and -, beginning with a letter or digit", number)
	case strings.TrimSpace(author) == "":
		return Fail(BadRequest, "issue %s: say who issues it", number)
	case q.UpTo != 0:
		return Fail(BadRequest, "issue %s: a report is issued as the ledger stands; leave the position out", number)
	}
	return nil
}

// record submits one event and waits until it is recorded, which it is not when
// another process counted the same number at the same time.
func (l *Ledger) record(ctx context.Context, e *events.Event) (position uint64, err error) {
	msgs, err := MessagesOf([]events.Event{*e})
	if err != nil {
		return 0, err
	}
	t, err := l.Submit(ctx, msgs)
	if err != nil {
		return 0, err
	}
	if _, err := l.Await(ctx, t); err != nil {
		return 0, err
	}
	list, err := l.Events(ctx, EventQuery{Source: e.Source, ID: e.ID, Limit: 1})
	if err != nil {
		return 0, err
	}
	if len(list) != 1 || string(list[0].Body) != string(msgs[0].Body) {
		return 0, Fail(Conflict, "somebody else issued a report at the same moment; issue it again")
	}
	return list[0].Position, nil
}

// nextIssue returns the next number that the desk counts, and refuses a report number
// that was given before.
func (l *Ledger) nextIssue(ctx context.Context, number string) (uint64, error) {
	given, err := l.IssuedReports(ctx)
	if err != nil {
		return 0, err
	}
	if n := slices.IndexFunc(given, func(i Issued) bool { return i.Number == number }); n >= 0 {
		return 0, Fail(Conflict, "issue %s: a %s report was issued under that number, at position %d; an issued report is adjusted and not issued again", number, given[n].Report, given[n].Position)
	}
	last := uint64(0)
	err = l.eachEvent(ctx, EventQuery{Source: events.OfficeSource(issueDesk)}, func(s *Stored) { last = max(last, s.Seq) })
	return last + 1, err
}

// eachEvent calls f for every event that a query finds.
func (l *Ledger) eachEvent(ctx context.Context, q EventQuery, f func(*Stored)) error {
	for q.Limit = MaxPage; ; {
		page, err := l.Events(ctx, q)
		if err != nil {
			return err
		}
		for i := range page {
			f(&page[i])
		}
		if len(page) < q.Limit {
			return nil
		}
		q.After = page[len(page)-1].Position
	}
}

// digestOf returns the SHA-256 digest of a report's export. What a report says of the
// ledger's root depends on whether anything came after its position, so it is left
// out: the digest is that of every later export at the position.
func digestOf(ctx context.Context, r *Report, export Exporter) (string, error) {
	h := sha256.New()
	bare := *r
	bare.Root = ""
	if err := export(ctx, h, &bare); err != nil {
		return "", fmt.Errorf("digest of report %s: %w", r.Query.Name, err)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// IssuedReports lists the reports that were given out, in the order of their events.
// A report issued before the ledger is there, and one that any desk issued.
func (l *Ledger) IssuedReports(ctx context.Context) ([]Issued, error) {
	list := []Issued{}
	err := l.eachEvent(ctx, EventQuery{Kind: events.KindReportIssued}, func(s *Stored) {
		if b, ok := s.Event.Body.(events.ReportIssued); ok {
			list = append(list, Issued{b, s.Event.Occurred, s.Position})
		}
	})
	return list, err
}

// Adjustment compares an issued billable report with the same query at a later
// position, 0 for the head. It is a report of its own, of what is to be charged in
// addition or credited; the issued one stays as it is. export, the one that it was
// issued with, shows whether the issued report is still what it was.
func (l *Ledger) Adjustment(ctx context.Context, number string, upTo uint64, export Exporter) (*Report, error) {
	given, err := l.IssuedReports(ctx)
	if err != nil {
		return nil, err
	}
	n := slices.IndexFunc(given, func(i Issued) bool { return i.Number == number })
	if n < 0 {
		return nil, Fail(NotFound, "adjustment: no report was issued under number %q", number)
	}
	issued := &given[n]
	if issued.Report != "billable" {
		return nil, Fail(BadRequest, "adjustment: %s is a %s report; only billable reports are adjusted, others can be run at both positions", number, issued.Report)
	}
	if upTo != 0 && upTo < issued.Position {
		return nil, Fail(BadRequest, "adjustment: %s was issued at position %d, which is after %d", number, issued.Position, upTo)
	}
	zone, err := l.zones(issued.TimeZone)
	if err != nil {
		return nil, Wrap(Damaged, err, "adjustment: the time zone of %s", number)
	}
	q := ReportQuery{Name: issued.Report, Period: reports.Period{From: issued.From, To: issued.To, Zone: zone}, UpTo: issued.Position,
		Filter: reports.Filter{Truck: issued.Truck, Job: issued.Job, Client: issued.Client}, Choices: issued.Choices()}
	old, err := l.Report(ctx, q)
	if err != nil {
		return nil, err
	}
	q.UpTo = upTo
	now, err := l.Report(ctx, q)
	if err != nil {
		return nil, err
	}
	return l.adjusted(ctx, issued, old, now, export)
}

func (l *Ledger) adjusted(ctx context.Context, issued *Issued, old, now *Report, export Exporter) (*Report, error) {
	was, ok := old.Computed.(*billable.Report)
	is, ok2 := now.Computed.(*billable.Report)
	if !ok || !ok2 {
		return nil, Fail(Internal, "adjustment: a billable report is a %T", old.Computed)
	}
	digest, err := digestOf(ctx, old, export)
	if err != nil {
		return nil, Wrap(Internal, err, "adjustment of %s", issued.Number)
	}
	a := billable.Adjust(issued.Number, was, is)
	r := *now
	r.Query.Name, r.Computed, r.Document = "adjustment", &a, a.Document()
	r.Document.Subject = append(r.Document.Subject, reports.Field{Label: "Issued", Text: issued.At.String() + " by " + issued.Author},
		reports.Field{Label: "Digest when issued", Text: issued.Digest})
	if digest != issued.Digest {
		r.Document.Notes = append(r.Document.Notes, fmt.Sprintf("Computed again at position %d, the issued report has the digest %s and not the one that it was issued with. "+
			"Another version of the program may have made it; compare it with the copy that was given out before this adjustment is used.", issued.Position, digest))
	}
	return &r, nil
}

// IssuedView is an issued report as programs read it.
type IssuedView struct {
	Report        string `json:"report"`
	Number        string `json:"number"`
	From          string `json:"from" format:"date-time"`
	To            string `json:"to" format:"date-time" doc:"not included"`
	TimeZone      string `json:"timeZone"`
	Position      uint64 `json:"position" doc:"the last ledger position that it covers"`
	Client        string `json:"client,omitempty"`
	Job           string `json:"job,omitempty"`
	Truck         string `json:"truck,omitempty"`
	Profile       string `json:"profile,omitempty" doc:"completeness profile of a manifest"`
	Rest          string `json:"rest,omitempty" doc:"rules of work and rest of a time split"`
	Allocation    string `json:"allocation,omitempty" doc:"how a tip is shared over the loads in the tank"`
	AxleRule      string `json:"axleRule,omitempty" doc:"what axles are held against"`
	AltitudeM     int64  `json:"altitudeM,omitempty" doc:"of the sites, for the deepest vacuum there can be"`
	Digest        string `json:"digestSHA256" doc:"of its export as JSON at that position"`
	Author        string `json:"author"`
	At            string `json:"at" format:"date-time" doc:"when it was issued"`
	EventPosition uint64 `json:"eventPosition" doc:"ledger position of its event"`
}

// View returns an issued report as programs read it.
func (i *Issued) View() IssuedView {
	return IssuedView{i.Report, i.Number, i.From.String(), i.To.String(), i.TimeZone, i.Position, string(i.Client), string(i.Job), string(i.Truck),
		i.Profile, i.Rest, i.Allocation, i.AxleRule, i.AltitudeM, i.Digest, i.Author, i.At.String(), i.EventPosition}
}

// Issued returns what the view was made of.
func (v *IssuedView) Issued() (Issued, error) {
	out := Issued{EventPosition: v.EventPosition, ReportIssued: events.ReportIssued{Report: v.Report, Number: v.Number, TimeZone: v.TimeZone, Position: v.Position,
		Client: events.ClientID(v.Client), Job: events.JobID(v.Job), Truck: events.TruckID(v.Truck), Digest: v.Digest, Author: v.Author,
		Profile: v.Profile, Rest: v.Rest, Allocation: v.Allocation, AxleRule: v.AxleRule, AltitudeM: v.AltitudeM}}
	var errs [3]error
	out.From, errs[0] = events.ParseTime(v.From)
	out.To, errs[1] = events.ParseTime(v.To)
	out.At, errs[2] = events.ParseTime(v.At)
	return out, errors.Join(errs[:]...)
}
