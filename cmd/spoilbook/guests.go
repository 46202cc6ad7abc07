package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"spoilbook/services/access"
	"spoilbook/services/broker"
)

// rightsOf is what somebody may do over NATS, under a name of one token.
func rightsOf(who access.Identity, name string) (broker.Rights, error) {
	s, err := who.Subjects()
	return broker.Rights{Name: name, Enter: s.Enter, Receipts: s.Receipts, Live: s.Live}, err
}

// admitter lets whoever has a token of the book in at the broker's port, with what its role includes.
func admitter(b *access.Book) broker.Admitter {
	return func(ctx context.Context, secret string) (broker.Rights, error) {
		who, err := b.ByToken(ctx, secret)
		if err != nil {
			return broker.Rights{}, err
		}
		return rightsOf(who, who.Token)
	}
}

func peopleNATS() *cobra.Command {
	var who access.Identity
	var role, name string
	var trucks []string
	c := &cobra.Command{
		Use: "nats", Short: "Write what a role may do as a user of a NATS server's configuration",
		Long: `The embedded broker takes the tokens of people token make and gives each what its role
includes. A NATS server of your own does not know them: this writes the same
permissions as a user for its configuration, with the password in an environment
variable. The client's inbox prefix is _INBOX. and the user's name.`,
		Example: `  spoilbook people nats --role truck --truck TM-01 --name TM-01`,
		Args:    exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			who.Role, who.Trucks = access.Role(role), trucksOf(trucks)
			if bound := who.Role == access.Truck || who.Role == access.Crew; bound != (len(trucks) > 0) {
				return &usageError{"people nats", errors.New("a truck or crew needs --truck, and no other role has any")}
			}
			rights, err := rightsOf(who, name)
			if err == nil {
				err = rights.Check()
			}
			if err != nil {
				return codedBroker(err, "permissions")
			}
			_, err = fmt.Fprint(c.OutOrStdout(), rights.Config())
			return err
		},
	}
	f := c.Flags()
	f.StringVar(&role, "role", "", "truck, crew, yard, office, officer or administrator")
	f.StringSliceVar(&trucks, "truck", nil, "`truck` of a truck or crew; may be repeated")
	f.StringVar(&name, "name", "", "user `name` in the configuration")
	for _, required := range []string{"role", "name"} {
		_ = c.MarkFlagRequired(required) // it exists, see above
	}
	return c
}
