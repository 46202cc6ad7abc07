package events

import (
	"fmt"
	"time"
)

// timeLayout is RFC 3339 with exactly three decimals of a second.
const timeLayout = "2006-01-02T15:04:05.000Z07:00"

// Time is an instant to the millisecond together with the UTC offset, in whole
// minutes, that its source's clock showed. Two Times are the same instant when
// their UnixMS are equal; the offset is kept because the source said it.
type Time struct {
	UnixMS        int64
	OffsetMinutes int16
}

// ParseTime reads RFC 3339 with an offset and at most milliseconds. It refuses
// finer times rather than losing digits.
func ParseTime(s string) (Time, error) {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return Time{}, fmt.Errorf("time %q is not RFC 3339 with an offset, such as 2026-10-05T08:25:00.000+01:00", s)
	}
	if t.Nanosecond()%int(time.Millisecond) != 0 {
		return Time{}, fmt.Errorf("time %q is finer than a millisecond; round it at the source", s)
	}
	_, off := t.Zone()
	if off%60 != 0 {
		return Time{}, fmt.Errorf("time %q has an offset that is not whole minutes", s)
	}
	return Time{UnixMS: t.UnixMilli(), OffsetMinutes: int16(off / 60)}, nil
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

// String returns t in RFC 3339 with milliseconds.
func (t Time) String() string { return t.Std().Format(timeLayout) }

// AppendText appends t in RFC 3339 with milliseconds.
func (t Time) AppendText(b []byte) ([]byte, error) { return t.Std().AppendFormat(b, timeLayout), nil }

// MarshalText returns t in RFC 3339 with milliseconds.
func (t Time) MarshalText() ([]byte, error) { return t.AppendText(nil) }

// UnmarshalText reads t as ParseTime does.
func (t *Time) UnmarshalText(b []byte) error {
	u, err := ParseTime(string(b))
	if err == nil {
		*t = u
	}
	return err
}
