package main

import (
	"context"
	"fmt"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/services/ledger"
)

// holdDesk is the office desk that counts holds placed and lifted.
const holdDesk = "hold"

func holdCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "hold",
		Short: "Keep everything while a claim or an inquiry asks for it",
		Long: `Events in the ledger are never deleted. While a hold stands, spoilbook trim does not
cut off the broker's messages either, and the manifest says that its records are
held. Holds are events of the ledger, so it can be seen who placed and lifted them.`,
	}
	group(c)
	c.AddCommand(holdChange("place", "Place a hold", "a claim of the client over the spoil of 5 October", "placed", true),
		holdChange("lift", "Lift a hold", "the claim was settled", "lifted", false), holdList())
	return c
}

// holdChange is the command that places or lifts a hold.
func holdChange(verb, short, why, done string, place bool) *cobra.Command {
	var o siteOptions
	var author, reason string
	c := &cobra.Command{
		Use: verb + " NAME", Short: short,
		Example: fmt.Sprintf("  spoilbook hold %s CLAIM-7 --reason %q --author \"Yard office\"", verb, why),
		Args:    exactly(1, "the name of a hold"),
		RunE: func(c *cobra.Command, args []string) error {
			return withBook(c, o, writing, func(ctx context.Context, b book) error {
				var body events.Body = events.HoldLifted{Name: args[0], Reason: reason, Author: author}
				if place {
					body = events.HoldPlaced{Name: args[0], Reason: reason, Author: author}
				}
				position, err := recordHold(ctx, b, args[0], place, body)
				if err != nil {
					return err
				}
				_, err = fmt.Fprintf(c.OutOrStdout(), "hold %s is %s, at position %d\n", args[0], done, position)
				return err
			})
		},
	}
	addSiteFlags(c, &o)
	c.Flags().StringVar(&reason, "reason", "", "why")
	c.Flags().StringVar(&author, "author", "", "who decides this")
	for _, name := range []string{"reason", "author"} {
		if err := c.MarkFlagRequired(name); err != nil {
			panic(err) // the flag is defined above
		}
	}
	return c
}

// recordHold submits what is to become of a hold and waits until it is recorded.
func recordHold(ctx context.Context, b book, name string, place bool, body events.Body) (uint64, error) {
	ctx, cancel := context.WithTimeout(ctx, recordPatience)
	defer cancel()
	standing, last, err := holds(ctx, b)
	if err != nil {
		return 0, err
	}
	stands := false
	for _, h := range standing {
		stands = stands || h.Name == name
	}
	switch {
	case place && stands:
		return 0, ledger.Fail(ledger.Conflict, "hold %s stands already", name)
	case !place && !stands:
		return 0, ledger.Fail(ledger.NotFound, "no hold %s stands", name)
	}
	e := events.Event{ID: fmt.Sprintf("hold-%d", last+1), Source: events.OfficeSource(holdDesk), Seq: last + 1, Occurred: events.TimeOf(time.Now()),
		Origin: events.FromOffice, Body: body}
	if err := e.Validate(); err != nil {
		return 0, ledger.Wrap(ledger.BadRequest, err, "hold %s", name)
	}
	msgs, err := ledger.MessagesOf([]events.Event{e})
	if err != nil {
		return 0, err
	}
	t, err := b.Submit(ctx, msgs)
	if err != nil {
		return 0, err
	}
	if _, err := b.Await(ctx, t); err != nil {
		return 0, err
	}
	list, err := b.Events(ctx, ledger.EventQuery{Source: e.Source, ID: e.ID, Limit: 1})
	if err != nil {
		return 0, err
	}
	if len(list) != 1 || string(list[0].Body) != string(msgs[0].Body) {
		return 0, ledger.Fail(ledger.Conflict, "somebody else placed or lifted a hold at the same moment; look at spoilbook hold list and do it again")
	}
	return list[0].Position, nil
}

// holds returns the holds that stand, and the last number that their desk counted.
// What counts is the order in which they were recorded, and not the times that they
// give; a voiding does not lift one.
func holds(ctx context.Context, b book) (standing []reports.Hold, last uint64, err error) {
	var all []*events.Event
	var positions []uint64
	for _, kind := range []events.Kind{events.KindHoldPlaced, events.KindHoldLifted} {
		q := ledger.EventQuery{Kind: kind, Limit: ledger.MaxPage}
		for more := true; more; {
			page, err := b.Events(ctx, q)
			if err != nil {
				return nil, 0, err
			}
			for i := range page {
				at := len(positions)
				for at > 0 && positions[at-1] > page[i].Position {
					at--
				}
				positions = append(positions[:at], append([]uint64{page[i].Position}, positions[at:]...)...)
				all = append(all[:at], append([]*events.Event{&page[i].Event}, all[at:]...)...)
				if page[i].Event.Source == events.OfficeSource(holdDesk) {
					last = max(last, page[i].Event.Seq)
				}
				q.After = page[i].Position
			}
			more = len(page) == q.Limit
		}
	}
	return reports.StandingHolds(func(yield func(*events.Event) bool) {
		for _, e := range all {
			if !yield(e) {
				return
			}
		}
	}), last, nil
}

// refuseHeld refuses to do away with anything while a hold stands.
func refuseHeld(ctx context.Context, b book) error {
	standing, _, err := holds(ctx, b)
	if err != nil || len(standing) == 0 {
		return err
	}
	names := make([]string, len(standing))
	for i, h := range standing {
		names[i] = h.Name
	}
	return ledger.Fail(ledger.Conflict, "nothing is cut off while a hold stands: %s; see spoilbook hold list", strings.Join(names, ", "))
}

func holdList() *cobra.Command {
	var o siteOptions
	c := &cobra.Command{
		Use: "list", Short: "List the holds that stand",
		Example: "  spoilbook hold list",
		Args:    exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			return withBook(c, o, reading, func(ctx context.Context, b book) error {
				standing, _, err := holds(ctx, b)
				if err != nil {
					return err
				}
				t := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
				fmt.Fprintln(t, "NAME\tPLACED\tBY\tREASON")
				for _, h := range standing {
					fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", h.Name, h.Placed.Std().Format(time.RFC3339), h.Author, h.Reason)
				}
				return t.Flush()
			})
		},
	}
	addSiteFlags(c, &o)
	return c
}
