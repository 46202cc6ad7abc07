package reports

import (
	"fmt"

	"spoilbook/events"
)

// Said is a sentence that can be said in another language and in other units: an English format with the verbs %s and %d, and what stands in
// it. For example
//
//	Said{"the debris tank holds %s since %s", []any{OfSpoil(6_320_000), at}}
//
// reads "the debris tank holds 6.32 m³ since 09:31". What stands in it is an [Amount], a [Word], a [Span], an events.Time, a text or a
// whole number; a translation keeps their order.
type Said struct {
	Format string
	Args   []any
}

// Word is a word of the record, such as "awaiting-client", that other languages have another word for.
type Word string

// Span is a length of time in milliseconds.
type Span int64

// Say makes a sentence.
func Say(format string, args ...any) Said { return Said{format, args} }

// String says it in English and in the units of the reports, times as the clock of their source showed them.
func (s Said) String() string {
	args := make([]any, len(s.Args))
	for i, a := range s.Args {
		switch v := a.(type) {
		case Span:
			args[i] = Hours(int64(v))
		case events.Time:
			args[i] = v.Std().Format("15:04")
		default:
			args[i] = a
		}
	}
	return fmt.Sprintf(s.Format, args...)
}
