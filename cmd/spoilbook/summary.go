package main

import (
	"fmt"
	"io"

	"spoilbook/services/ledger"
	"spoilbook/services/sheets"
)

// summarise prints what a report comes to, in a few lines: the figures people ask
// for, and the findings by severity with the first of each kind.
func summarise(w io.Writer, r *ledger.Report) error {
	fmt.Fprintln(w)
	return sheets.Summary(w, r.Document, provenance(r, ""))
}
