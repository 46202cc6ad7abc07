package sheets

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
)

// heading returns what people read above a column.
func heading(c *reports.Column, zone string) string { return c.Heading(zone) }

// exact returns a cell as CSV writes it: all of its digits and nothing rounded.
func exact(c *reports.Column, cell reports.Cell, period reports.Period) string {
	if cell.Empty {
		return ""
	}
	switch c.Kind {
	case reports.Number:
		return decimal(cell.Int, c.Scale)
	case reports.Instant:
		return period.Local(events.Time{UnixMS: cell.Int}).Format("2006-01-02T15:04:05.000Z07:00")
	case reports.Duration:
		return exactClock(cell.Int)
	case reports.YesNo:
		return yesNo(cell.Int)
	}
	return cell.Text
}

// shown returns a cell as people read it.
func shown(c *reports.Column, cell reports.Cell, period reports.Period) string {
	return c.Shown(cell, period)
}

// dates returns a number format with days as the language of the export writes them.
func (p *Provenance) dates(format string) string {
	if p.Tongue.Code() == "de" {
		return strings.ReplaceAll(format, "yyyy-mm-dd", "dd.mm.yyyy")
	}
	return format
}

// shown returns a cell as people read it in the language of the export.
func (p *Provenance) shown(c *reports.Column, cell reports.Cell) string {
	text := c.Shown(cell, p.Period)
	switch c.Kind {
	case reports.Number:
		return p.Tongue.Number(text)
	case reports.Instant, reports.Date:
		return p.Tongue.Day(text)
	case reports.YesNo:
		return p.Tongue.Write(text)
	}
	return text
}

func yesNo(v int64) string {
	if v != 0 {
		return "Yes"
	}
	return "No"
}

// decimal returns v units of 10^-scale with all its digits: 3242576 and 6 give "3.242576".
func decimal(v int64, scale int) string {
	sign, u := magnitude(v)
	return sign + placePoint(u, scale)
}

func magnitude(v int64) (sign string, u uint64) {
	if v < 0 {
		return "-", -uint64(v)
	}
	return "", uint64(v)
}

func placePoint(u uint64, scale int) string {
	digits := strconv.FormatUint(u, 10)
	if scale == 0 {
		return digits
	}
	if len(digits) <= scale {
		digits = strings.Repeat("0", scale-len(digits)+1) + digits
	}
	return digits[:len(digits)-scale] + "." + digits[len(digits)-scale:]
}

func pow10(n int) uint64 {
	p := uint64(1)
	for range n {
		p *= 10
	}
	return p
}

const (
	msPerSecond = 1000
	msPerMinute = 60 * msPerSecond
	msPerHour   = 60 * msPerMinute
)

// exactClock returns milliseconds as "7:45:30", with the thousandths of a second where there are any.
func exactClock(ms int64) string {
	sign, u := magnitude(ms)
	s := fmt.Sprintf("%s%d:%02d:%02d", sign, u/msPerHour, u/msPerMinute%60, u/msPerSecond%60)
	if u%msPerSecond != 0 {
		s += fmt.Sprintf(".%03d", u%msPerSecond)
	}
	return s
}

// number returns v units of 10^-scale as the nearest number of the 15 digits that spreadsheets keep.
func number(v int64, scale int) float64 {
	f := float64(v) / float64(pow10(scale))
	if _, u := magnitude(v); u < 1e15 {
		return f
	}
	if rounded, err := strconv.ParseFloat(strconv.FormatFloat(f, 'e', 14, 64), 64); err == nil {
		f = rounded
	}
	return f
}

// dayFraction returns milliseconds as the library takes a fraction of a day: as a Duration, which it writes with all digits, where that
// holds them, and beyond 292 years as a number.
func dayFraction(ms int64) any {
	if _, u := magnitude(ms); u < math.MaxInt64/uint64(time.Millisecond) {
		return time.Duration(ms) * time.Millisecond
	}
	return float64(ms) / (24 * msPerHour)
}

// calendarDay reads a Date cell as midnight UTC, for spreadsheets to show as that day.
func calendarDay(s string) (time.Time, bool) {
	t, err := time.Parse(time.DateOnly, s)
	return t, err == nil && t.Year() >= firstSheetYear
}

// firstSheetYear is the first year whose days spreadsheets agree about; 1900 has a day too many in some.
const firstSheetYear = 1901

// citeList writes all positions.
func citeList(cites []uint64, separator string) string {
	out := []byte{}
	for i, c := range cites {
		if i > 0 {
			out = append(out, separator...)
		}
		out = strconv.AppendUint(out, c, 10)
	}
	return string(out)
}

// citeText writes positions as people read them, runs of three and more as "12–15", and after limit of positions or runs how many more
// positions there are: "3, 7, 12–15 +4". A limit of 0 writes all.
func citeText(cites []uint64, limit int) string {
	out, items := []byte{}, 0
	for i := 0; i < len(cites); items++ {
		if limit > 0 && items == limit {
			return string(out) + " +" + strconv.Itoa(len(cites)-i)
		}
		if items > 0 {
			out = append(out, ", "...)
		}
		out = strconv.AppendUint(out, cites[i], 10)
		end := i + 1
		for end < len(cites) && cites[end] == cites[end-1]+1 {
			end++
		}
		if end-i < 3 {
			i++
			continue
		}
		out = strconv.AppendUint(append(out, "–"...), cites[end-1], 10)
		i = end
	}
	return string(out)
}
