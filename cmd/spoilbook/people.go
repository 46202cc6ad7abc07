package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"spoilbook/events"
	"spoilbook/services/access"
	"spoilbook/services/broker"
	"spoilbook/services/client"
	"spoilbook/services/engine"
	"spoilbook/services/ledger"
)

// vault keeps the records of people in the broker, so that all copies of the service share them.
type vault struct{ r *broker.Records }

func codedRecords(err error, doing string) error {
	switch {
	case errors.Is(err, broker.ErrNoRecord):
		return access.ErrMissing
	case errors.Is(err, broker.ErrRecordChanged):
		return access.ErrChanged
	}
	return codedBroker(err, doing)
}

func (v vault) Get(ctx context.Context, key string) (access.Entry, error) {
	r, err := v.r.Get(ctx, key)
	return access.Entry(r), codedRecords(err, "people")
}

func (v vault) Put(ctx context.Context, key string, value []byte, revision uint64) (uint64, error) {
	at, err := v.r.Put(ctx, key, value, revision)
	return at, codedRecords(err, "people")
}

func (v vault) Delete(ctx context.Context, key string) error {
	return codedRecords(v.r.Delete(ctx, key), "people")
}

func (v vault) List(ctx context.Context, prefix string) ([]access.Entry, error) {
	list, err := v.r.List(ctx, prefix)
	out := make([]access.Entry, len(list))
	for i, r := range list {
		out[i] = access.Entry(r)
	}
	return out, codedRecords(err, "people")
}

// noVault is a vault that can not be reached.
type noVault struct{}

func errNoVault() error {
	return ledger.Fail(ledger.BrokerDown, "who may sign in is kept in the broker, which is not open; see what the start said")
}

func (noVault) Get(context.Context, string) (access.Entry, error) {
	return access.Entry{}, errNoVault()
}

func (noVault) Put(context.Context, string, []byte, uint64) (uint64, error) { return 0, errNoVault() }

func (noVault) Delete(context.Context, string) error { return errNoVault() }

func (noVault) List(context.Context, string) ([]access.Entry, error) { return nil, errNoVault() }

const peopleShelf = "SPOILBOOK_PEOPLE"

// openAccess opens the book of users, nil where nobody need sign in, and tells the code that makes the first administrator while there is none.
func (s *site) openAccess(ctx context.Context, d door, url string, stdout io.Writer) (*access.Book, error) {
	if d.open {
		fmt.Fprintln(stdout, "Nobody is asked who they are (--open): whoever reaches this address may do everything.")
		return nil, nil
	}
	if s.broker == nil { // damaged: the ledger is served to read, and nobody can prove who they are
		return access.New(access.Config{Vault: noVault{}})
	}
	shelf, err := s.broker.Records(ctx, peopleShelf)
	if err != nil {
		return nil, codedBroker(err, "people")
	}
	b, err := access.New(access.Config{Vault: vault{shelf}})
	if err != nil {
		return nil, err
	}
	if _, err := b.Sweep(ctx); err != nil {
		return nil, err
	}
	if err := shelf.Compact(ctx); err != nil {
		return nil, codedBroker(err, "people")
	}
	code, err := b.First(ctx)
	if err != nil || code == "" {
		return b, err
	}
	fmt.Fprintf(stdout, "There is no administrator yet. Within a day, make one with this code, which works once:\n  spoilbook people begin --server %s --code %s --name NAME --full-name \"FULL NAME\"\n", url, code)
	return b, nil
}

func peopleCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "people",
		Short: "Say who may sign in, and make tokens for programs",
		Long: `Users, roles and tokens of a spoilbook that asks who one is, which --server
names. The roles are truck, crew, yard, office, officer and administrator. You prove
yourself with a token in SPOILBOOK_TOKEN, or with --as NAME and a password; passwords are
read from the terminal, or one a line from standard input.`,
	}
	group(c)
	token := &cobra.Command{Use: "token", Short: "Make, list and revoke tokens of programs"}
	group(token)
	token.AddCommand(tokenMake(), tokenList(), tokenRevoke())
	c.AddCommand(peopleBegin(), peopleList(), peopleSet(), peopleUnlock(), peopleNATS(), token)
	return c
}

// asker is who asks a server, and where it reads passwords from.
type asker struct {
	siteOptions
	as    string
	input *bufio.Reader
}

func (a *asker) flags(c *cobra.Command) {
	c.Flags().StringVar(&a.server, "server", os.Getenv("SPOILBOOK_SERVER"), "`URL` of the spoilbook")
	c.Flags().StringVar(&a.as, "as", "", "user `name` to sign in with, instead of a token in SPOILBOOK_TOKEN")
}

// password reads one, without showing it on a terminal.
func (a *asker) password(c *cobra.Command, prompt string) (string, error) {
	if in := engine.StandardInput(); term.IsTerminal(int(in.Fd())) {
		fmt.Fprint(c.ErrOrStderr(), prompt+": ")
		text, err := term.ReadPassword(int(in.Fd()))
		fmt.Fprintln(c.ErrOrStderr())
		return string(text), ledger.Wrap(ledger.BadRequest, err, "read the password")
	}
	if a.input == nil {
		a.input = bufio.NewReader(io.LimitReader(engine.StandardInput(), 1<<16))
	}
	line, err := a.input.ReadString('\n')
	if line = strings.TrimRight(line, "\r\n"); line == "" {
		return "", ledger.Wrap(ledger.BadRequest, errors.Join(err, errors.New("the line is empty")), "%s: give it on standard input", prompt)
	}
	return line, nil
}

// ask runs f with a client that has proved itself.
func (a *asker) ask(c *cobra.Command, f func(ctx context.Context, b *client.Client) error) error {
	if a.server == "" {
		return &usageError{"people", errors.New("people needs --server or SPOILBOOK_SERVER")}
	}
	b, err := a.client()
	if err != nil {
		return err
	}
	ctx := c.Context()
	if a.as == "" {
		return f(ctx, b)
	}
	password, err := a.password(c, "password of "+a.as)
	if err != nil {
		return err
	}
	in, err := b.WithToken("").SignIn(ctx, a.as, password)
	if err != nil {
		return err
	}
	return errors.Join(f(ctx, in), in.SignOut(context.WithoutCancel(ctx)))
}

func peopleBegin() *cobra.Command {
	var a asker
	var code, name, full string
	c := &cobra.Command{
		Use: "begin", Short: "Make the first administrator, with the code that the first start printed",
		Example: `  spoilbook people begin --server http://127.0.0.1:8080 --code CODE --name m-byrne --full-name "Yard office"`,
		Args:    exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			b, err := client.New(a.server)
			if err != nil {
				return err
			}
			password, err := a.password(c, "a password for "+name)
			if err != nil {
				return err
			}
			u, err := b.Begin(c.Context(), code, name, full, password)
			if err == nil {
				fmt.Fprintf(c.OutOrStdout(), "%s is administrator\n", u.Name)
			}
			return err
		},
	}
	c.Flags().StringVar(&a.server, "server", os.Getenv("SPOILBOOK_SERVER"), "`URL` of the spoilbook")
	c.Flags().StringVar(&code, "code", "", "the `code`")
	c.Flags().StringVar(&name, "name", "", "user `name`: a-z, 0-9, - and _")
	c.Flags().StringVar(&full, "full-name", "", "`name` as it stands in entries")
	for _, required := range []string{"code", "name", "full-name"} {
		_ = c.MarkFlagRequired(required) // it exists, see above
	}
	return c
}

func trucksText(list []events.TruckID) string {
	names := make([]string, len(list))
	for i, t := range list {
		names[i] = string(t)
	}
	return strings.Join(names, ",")
}

func trucksOf(names []string) []events.TruckID {
	list := make([]events.TruckID, len(names))
	for i, n := range names {
		list[i] = events.TruckID(n)
	}
	return list
}

func peopleList() *cobra.Command {
	var a asker
	c := &cobra.Command{
		Use: "list", Short: "List everybody who may sign in",
		Example: "  spoilbook people list --server http://127.0.0.1:8080 --as m-byrne",
		Args:    exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			return a.ask(c, func(ctx context.Context, b *client.Client) error {
				list, err := b.Users(ctx)
				if err != nil {
					return err
				}
				t := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
				fmt.Fprintln(t, "NAME\tROLE\tTRUCKS\tFULL NAME\tSTATE\tCHANGED\tBY")
				for _, u := range list {
					state := "may sign in"
					if u.Disabled {
						state = "disabled"
					}
					fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", u.Name, u.Role, trucksText(u.Trucks), u.Full, state, u.Changed.Format(time.DateOnly), u.By)
				}
				return t.Flush()
			})
		},
	}
	a.flags(c)
	return c
}

func peopleSet() *cobra.Command {
	var a asker
	var u access.User
	var role string
	var trucks []string
	var password bool
	c := &cobra.Command{
		Use: "set NAME", Short: "Make a user, or change one",
		Long: `What is not said stays as it is. A new user needs --role and --password; with
--password the new password is asked for. A change of role, trucks or password ends the
user's sessions.`,
		Example: `  spoilbook people set crew-1 --role crew --truck TM-01 --full-name "Crew of TM-01" --password --server http://127.0.0.1:8080 --as m-byrne
  spoilbook people set crew-1 --disabled --server http://127.0.0.1:8080 --as m-byrne`,
		Args: exactly(1, "a user name"),
		RunE: func(c *cobra.Command, args []string) error {
			return a.ask(c, func(ctx context.Context, b *client.Client) error {
				wanted, err := wantedUser(ctx, b, args[0])
				if err != nil {
					return err
				}
				changed := c.Flags().Changed
				if changed("role") {
					wanted.Role = access.Role(role)
				}
				if changed("truck") {
					wanted.Trucks = trucksOf(trucks)
				}
				if changed("full-name") {
					wanted.Full = u.Full
				}
				if changed("disabled") {
					wanted.Disabled = u.Disabled
				}
				if changed("subject") {
					wanted.Subject = u.Subject
				}
				secret := ""
				if password {
					if secret, err = a.password(c, "a password for "+args[0]); err != nil {
						return err
					}
				}
				set, err := b.ChangeUser(ctx, wanted, secret)
				if err == nil {
					fmt.Fprintf(c.OutOrStdout(), "%s is %s %s\n", set.Name, set.Role, trucksText(set.Trucks))
				}
				return err
			})
		},
	}
	a.flags(c)
	f := c.Flags()
	f.StringVar(&role, "role", "", "crew, yard, office, officer or administrator")
	f.StringSliceVar(&trucks, "truck", nil, "`truck` of a crew; may be repeated")
	f.StringVar(&u.Full, "full-name", "", "`name` as it stands in entries")
	f.BoolVar(&u.Disabled, "disabled", false, "may not sign in any more")
	f.StringVar(&u.Subject, "subject", "", "`issuer and subject` of another sign-in, with a space between")
	f.BoolVar(&password, "password", false, "ask for a new password")
	return c
}

func peopleUnlock() *cobra.Command {
	var a asker
	c := &cobra.Command{
		Use: "unlock NAME", Short: "Let a user who waits after wrong passwords try again at once",
		Example: "  spoilbook people unlock crew-1 --server http://127.0.0.1:8080 --as m-byrne",
		Args:    exactly(1, "a user name"),
		RunE: func(c *cobra.Command, args []string) error {
			return a.ask(c, func(ctx context.Context, b *client.Client) error { return b.Unlock(ctx, args[0]) })
		},
	}
	a.flags(c)
	return c
}

// wantedUser is a user as they stand, or a new one.
func wantedUser(ctx context.Context, b *client.Client, name string) (access.User, error) {
	all, err := b.Users(ctx)
	for _, u := range all {
		if u.Name == name {
			return u, err
		}
	}
	return access.User{Name: name}, err
}

func tokenMake() *cobra.Command {
	var a asker
	var t access.Token
	var role string
	var trucks []string
	var days int
	c := &cobra.Command{
		Use: "make", Short: "Make a token for a program, and show it this once",
		Example: `  spoilbook people token make --role truck --truck TM-01 --for "controller of TM-01" --days 365 --server http://127.0.0.1:8080 --as m-byrne`,
		Args:    exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			return a.ask(c, func(ctx context.Context, b *client.Client) error {
				t.Role, t.Trucks, t.Ends = access.Role(role), trucksOf(trucks), time.Now().Add(time.Duration(days)*24*time.Hour)
				made, secret, err := b.MakeToken(ctx, t)
				if err != nil {
					return err
				}
				fmt.Fprintf(c.ErrOrStderr(), "token %s for %s, %s, ends %s; it is not shown again:\n", made.ID, made.For, made.Role, made.Ends.Format(time.DateOnly))
				fmt.Fprintln(c.OutOrStdout(), secret)
				return nil
			})
		},
	}
	a.flags(c)
	f := c.Flags()
	f.StringVar(&role, "role", "", "truck, crew, yard, office, officer or administrator")
	f.StringSliceVar(&trucks, "truck", nil, "`truck` of a truck's or crew's token; may be repeated")
	f.StringVar(&t.For, "for", "", "`what` uses it")
	f.BoolVar(&t.ReadOnly, "read-only", false, "it changes nothing")
	f.IntVar(&days, "days", 365, "how many days it holds")
	return c
}

func tokenList() *cobra.Command {
	var a asker
	c := &cobra.Command{
		Use: "list", Short: "List tokens that were not revoked",
		Example: "  spoilbook people token list --server http://127.0.0.1:8080 --as m-byrne",
		Args:    exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			return a.ask(c, func(ctx context.Context, b *client.Client) error {
				list, err := b.Tokens(ctx)
				if err != nil {
					return err
				}
				t := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
				fmt.Fprintln(t, "ID\tROLE\tSCOPE\tTRUCKS\tFOR\tENDS\tMADE BY")
				for _, k := range list {
					scope := "all"
					if k.ReadOnly {
						scope = "read only"
					}
					fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", k.ID, k.Role, scope, trucksText(k.Trucks), k.For, k.Ends.Format(time.DateOnly), k.By)
				}
				return t.Flush()
			})
		},
	}
	a.flags(c)
	return c
}

func tokenRevoke() *cobra.Command {
	var a asker
	c := &cobra.Command{
		Use: "revoke ID", Short: "End a token now",
		Example: "  spoilbook people token revoke 8f434346648f --server http://127.0.0.1:8080 --as m-byrne",
		Args:    exactly(1, "a token's id"),
		RunE: func(c *cobra.Command, args []string) error {
			return a.ask(c, func(ctx context.Context, b *client.Client) error { return b.RevokeToken(ctx, args[0]) })
		},
	}
	a.flags(c)
	return c
}
