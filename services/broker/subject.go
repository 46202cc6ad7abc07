package broker

import (
	"fmt"
	"strings"
)

// Streams and the subjects they store.
const (
	EventsStream   = "SPOILBOOK_EVENTS"
	ReceiptsStream = "SPOILBOOK_RECEIPTS"

	EventsPrefix   = "spoilbook.events."
	ReceiptsPrefix = "spoilbook.receipts."
)

const maxTokenBytes = 64

// Source joins the kind of a source and its name to the last part of a subject: Source("truck", "TM-01") is "truck.TM-01". Both are one
// token: 1 to 64 of A-Z a-z 0-9 _ and -.
func Source(kind, name string) (string, error) {
	for _, token := range []string{kind, name} {
		if err := checkToken(token); err != nil {
			return "", err
		}
	}
	return kind + "." + name, nil
}

// CheckSource reports whether a text is a kind and a name as Source joins them.
func CheckSource(source string) error {
	kind, name, ok := strings.Cut(source, ".")
	if !ok {
		return fmt.Errorf("%w: %q is not a kind and a name with a dot between them, such as truck.TM-01", ErrSubject, source)
	}
	_, err := Source(kind, name)
	return err
}

func checkToken(token string) error {
	if token == "" || len(token) > maxTokenBytes {
		return fmt.Errorf("%w: token %q must have 1 to %d characters", ErrSubject, token, maxTokenBytes)
	}
	for _, c := range []byte(token) {
		switch {
		case 'a' <= c && c <= 'z', 'A' <= c && c <= 'Z', '0' <= c && c <= '9', c == '_', c == '-':
		default:
			return fmt.Errorf("%w: token %q may hold only A-Z a-z 0-9 _ and -", ErrSubject, token)
		}
	}
	return nil
}
