package store

import (
	"context"
	"errors"
	"regexp"

	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/ClickHouse/clickhouse-go/v2/lib/driver"

	"spoilbook/services/ledger"
)

// IsDamage reports whether the text of a ClickHouse exception says that stored data
// can not be read as it was written. The code that tells so may stand inside
// another's, as when a table could not be loaded for a broken part.
func IsDamage(text string) bool {
	for _, found := range exceptionCode.FindAllStringSubmatch(text, -1) {
		switch found[1] {
		case "33", // CANNOT_READ_ALL_DATA
			"40",  // CHECKSUM_DOESNT_MATCH
			"226", // NO_FILE_IN_DATA_PART
			"228", // BAD_SIZE_OF_FILE_IN_DATA_PART
			"231", // TOO_MANY_UNEXPECTED_DATA_PARTS
			"246", // CORRUPTED_DATA
			"271", // CANNOT_DECOMPRESS
			"432", // UNKNOWN_CODEC
			"740": // POTENTIALLY_BROKEN_DATA_PART
			return true
		}
	}
	return false
}

var exceptionCode = regexp.MustCompile(`(?i)\bcode: (\d+)\b`)

// seen gives an error that tells of damage the code that users see.
func seen(err error) error {
	var exception *clickhouse.Exception
	if errors.As(err, &exception) && IsDamage(exception.Error()) {
		return ledger.Wrap(ledger.Damaged, err, "the store is damaged")
	}
	return err
}

// watched is a connection whose errors say when the data is damaged.
type watched struct{ driver.Conn }

// Query runs a query with rows.
func (w watched) Query(ctx context.Context, query string, args ...any) (driver.Rows, error) {
	rows, err := w.Conn.Query(ctx, query, args...)
	if err != nil {
		return nil, seen(err)
	}
	return watchedRows{rows}, nil
}

// QueryRow runs a query with one row.
func (w watched) QueryRow(ctx context.Context, query string, args ...any) driver.Row {
	return watchedRow{w.Conn.QueryRow(ctx, query, args...)}
}

// Exec runs a statement.
func (w watched) Exec(ctx context.Context, query string, args ...any) error {
	return seen(w.Conn.Exec(ctx, query, args...))
}

type watchedRows struct{ driver.Rows }

// Err returns why the rows ended early, if they did.
func (r watchedRows) Err() error { return seen(r.Rows.Err()) }

// Scan reads the row.
func (r watchedRows) Scan(dest ...any) error { return seen(r.Rows.Scan(dest...)) }

type watchedRow struct{ driver.Row }

// Scan reads the row.
func (r watchedRow) Scan(dest ...any) error { return seen(r.Row.Scan(dest...)) }
