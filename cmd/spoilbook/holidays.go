package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/billable"
	"spoilbook/services/ledger"
	"spoilbook/services/register"
)

func registerHolidays() *cobra.Command {
	var first, last int
	var key, zone, author, out string
	c := &cobra.Command{
		Use: "holidays COUNTRY", Short: "Write a calendar of public holidays as a register file",
		Long: `Write the public holidays of a country as a register file with one calendar, to be
looked over and loaded: ` + strings.Join(billable.HolidayCountries(), ", ") + `. Where the law moves a holiday
from a weekend both days are there; delete the one that the rate cards do not mean.`,
		Example: "  spoilbook register holidays IE --from-year 2026 --to-year 2028 --key CAL-IE --tz Europe/Dublin --author 'Yard office' -o register/calendar.yaml",
		Args:    exactly(1, "a country: "+strings.Join(billable.HolidayCountries(), ", ")),
		RunE: func(c *cobra.Command, args []string) error {
			calendar, err := billable.Holidays(args[0], first, last)
			if err != nil {
				return ledger.Wrap(ledger.BadRequest, err, "register")
			}
			loc, err := time.LoadLocation(zone)
			if err != nil {
				return ledger.Wrap(ledger.BadRequest, err, "register holidays: time zone %q", zone)
			}
			rev := events.RegisterRevised{Key: key, EffectiveFrom: events.TimeOf(reports.StartOfDay(first, time.January, 1, loc)), Author: author, Document: calendar}
			check := &events.Check{}
			if rev.Check(check); check.Err() != nil {
				return ledger.Wrap(ledger.BadRequest, check.Err(), "register holidays")
			}
			files, err := register.Write([]events.RegisterRevised{rev})
			if err != nil {
				return err
			}
			return writeOut(c.OutOrStdout(), out, func(w io.Writer) error {
				_, err := fmt.Fprintf(w, "%s", files["calendar.yaml"])
				return err
			})
		},
	}
	f := c.Flags()
	f.IntVar(&first, "from-year", 0, "first `year`; the calendar takes effect as it begins")
	f.IntVar(&last, "to-year", 0, "last `year`, included")
	f.StringVar(&key, "key", "", "the calendar's `key`, by which rate cards name it")
	f.StringVar(&zone, "tz", "", "time `zone` in which the first year begins, such as Europe/Dublin")
	f.StringVar(&author, "author", "", "who writes it")
	f.StringVarP(&out, "output", "o", "-", "`file` to write; - is standard output")
	for _, name := range []string{"from-year", "to-year", "key", "tz", "author"} {
		if err := c.MarkFlagRequired(name); err != nil {
			panic(err) // the flag is defined above
		}
	}
	return c
}
