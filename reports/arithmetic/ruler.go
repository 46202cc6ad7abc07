package arithmetic

import (
	"fmt"
	"slices"
	"strings"
)

// Ruler writes lengths of time as plain numbers in one unit, so that they can be
// reckoned with: minutes where all are whole ones, otherwise seconds.
type Ruler struct{ seconds bool }

const minuteMS = 60_000

// RulerFor returns the ruler that measures all lengths, in milliseconds, exactly.
func RulerFor(lengthsMS ...int64) Ruler {
	return Ruler{slices.ContainsFunc(lengthsMS, func(ms int64) bool { return ms%minuteMS != 0 })}
}

// Unit returns "min" or "s".
func (u Ruler) Unit() string {
	if u.seconds {
		return "s"
	}
	return "min"
}

// Hour returns how many units an hour has, "60" or "3600".
func (u Ruler) Hour() string { return u.Number(60 * minuteMS) }

// Number returns a length as a number: "90", or "90.5" of seconds.
func (u Ruler) Number(ms int64) string {
	if !u.seconds {
		return fmt.Sprint(ms / minuteMS)
	}
	sign := ""
	if ms < 0 {
		sign, ms = "-", -ms
	}
	text := fmt.Sprintf("%s%d.%03d", sign, ms/1000, ms%1000)
	return strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
}

// Result returns a length with its unit, "90 min".
func (u Ruler) Result(ms int64) string { return u.Number(ms) + " " + u.Unit() }

// Sum returns lengths as a sum, "40 + 50".
func (u Ruler) Sum(lengthsMS []int64) string {
	terms := make([]string, len(lengthsMS))
	for i, ms := range lengthsMS {
		terms[i] = u.Number(ms)
		if ms < 0 {
			terms[i] = "(" + terms[i] + ")"
		}
	}
	return strings.Join(terms, " + ")
}
