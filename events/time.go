package events

import (
	"fmt"
	"time"
)

// Time is an instant to the millisecond together with the UTC offset, in whole
// minutes, that its source's clock showed. Two Times are the same instant when
// their UnixMS are equal; the offset is kept because the source said it.
type Time struct {
	UnixMS        int64
	OffsetMinutes int16
}

// ParseTime reads RFC 3339 with an offset and at most milliseconds: exactly the
// form 2026-10-05T08:25:00.000+01:00, with Z for +00:00 and one to three decimals
// or none. It refuses finer times rather than losing digits, and leap seconds,
// which clocks of trucks do not have.
func ParseTime(s string) (Time, error) {
	t, problem := parseTime(s)
	if problem != "" {
		return Time{}, fmt.Errorf("time %q %s", clipped(s), problem)
	}
	return t, nil
}

func parseTime(s string) (t Time, problem string) {
	const malformed = "is not RFC 3339 with an offset, such as 2026-10-05T08:25:00.000+01:00"
	const shape = "0000-00-00T00:00:00"
	if len(s) <= len(shape) || !shaped(s[:len(shape)], shape) {
		return Time{}, malformed
	}
	y, mo, d := number(s[0:4]), number(s[5:7]), number(s[8:10])
	h, mi, sec := number(s[11:13]), number(s[14:16]), number(s[17:19])
	rest, ms := s[len(shape):], 0
	if rest[0] == '.' {
		digits := 0
		for digits+1 < len(rest) && rest[digits+1] >= '0' && rest[digits+1] <= '9' {
			digits++
		}
		switch {
		case digits == 0:
			return Time{}, malformed
		case digits > 3:
			return Time{}, "is finer than a millisecond; round it at the source"
		}
		ms = number((rest[1:1+digits] + "00")[:3])
		rest = rest[1+digits:]
	}
	offset, ok := parseOffset(rest)
	// time.Date carries what is too large over, so a date or hour that does not
	// exist comes back as another one.
	at := time.Date(y, time.Month(mo), d, h, mi, sec, ms*int(time.Millisecond), time.UTC)
	if !ok || at.Day() != d || int(at.Month()) != mo || at.Hour() != h || mi > 59 || sec > 59 {
		return Time{}, malformed
	}
	return Time{UnixMS: at.UnixMilli() - int64(offset)*60_000, OffsetMinutes: int16(offset)}, ""
}

// parseOffset reads Z or a signed HH:MM as minutes.
func parseOffset(s string) (minutes int, ok bool) {
	if s == "Z" {
		return 0, true
	}
	if len(s) != 6 || s[0] != '+' && s[0] != '-' || !shaped(s[1:], "00:00") {
		return 0, false
	}
	h, m := number(s[1:3]), number(s[4:6])
	if s[0] == '-' {
		return -(h*60 + m), h < 24 && m < 60
	}
	return h*60 + m, h < 24 && m < 60
}

// shaped reports whether s, as long as shape, has a digit where shape has 0 and
// otherwise its characters.
func shaped(s, shape string) bool {
	for i := range len(shape) {
		digit := s[i] >= '0' && s[i] <= '9'
		if shape[i] == '0' && !digit || shape[i] != '0' && s[i] != shape[i] {
			return false
		}
	}
	return true
}

// number returns the value of decimal digits.
func number(digits string) int {
	n := 0
	for i := range len(digits) {
		n = n*10 + int(digits[i]-'0')
	}
	return n
}

// MustTime is ParseTime for literals in code; it panics on a malformed one.
func MustTime(s string) Time {
	t, err := ParseTime(s)
	if err != nil {
		panic(err)
	}
	return t
}

// TimeOf converts a time.Time, truncated to the millisecond.
func TimeOf(t time.Time) Time {
	_, off := t.Zone()
	return Time{UnixMS: t.UnixMilli(), OffsetMinutes: int16(off / 60)}
}

// Std returns t as a time.Time in a fixed zone of its offset.
func (t Time) Std() time.Time {
	if t.OffsetMinutes == 0 {
		return time.UnixMilli(t.UnixMS).UTC()
	}
	return time.UnixMilli(t.UnixMS).In(time.FixedZone("", int(t.OffsetMinutes)*60))
}

// IsZero reports whether t is unset.
func (t Time) IsZero() bool { return t == Time{} }

// Before reports whether t is an earlier instant than u.
func (t Time) Before(u Time) bool { return t.UnixMS < u.UnixMS }

// Append appends t in RFC 3339 with milliseconds.
func (t Time) Append(b []byte) []byte {
	local := time.UnixMilli(t.UnixMS + int64(t.OffsetMinutes)*60_000).UTC()
	b = local.AppendFormat(b, "2006-01-02T15:04:05.000")
	off := int(t.OffsetMinutes)
	switch {
	case off == 0:
		return append(b, 'Z')
	case off < 0:
		b, off = append(b, '-'), -off
	default:
		b = append(b, '+')
	}
	return append(b, byte('0'+off/600), byte('0'+off/60%10), ':', byte('0'+off%60/10), byte('0'+off%10))
}

// String returns t in RFC 3339 with milliseconds.
func (t Time) String() string { return string(t.Append(nil)) }

// AppendText appends t in RFC 3339 with milliseconds.
func (t Time) AppendText(b []byte) ([]byte, error) { return t.Append(b), nil }

// MarshalText returns t in RFC 3339 with milliseconds.
func (t Time) MarshalText() ([]byte, error) { return t.Append(nil), nil }

// UnmarshalText reads t as ParseTime does.
func (t *Time) UnmarshalText(b []byte) error {
	u, err := ParseTime(string(b))
	if err == nil {
		*t = u
	}
	return err
}
