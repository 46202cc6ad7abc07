package timesplit

import (
	"time"

	"spoilbook/events"
)

// LocalPart is time within one local day and one offset from UTC.
type LocalPart struct {
	From, To      events.Time
	Day           string // local date at From, "2026-10-25"
	Minute        int    // local minute of the day at From
	OffsetSeconds int    // of local time from UTC
}

// LengthMS returns the part's length in milliseconds.
func (p *LocalPart) LengthMS() int64 { return p.To.UnixMS - p.From.UnixMS }

const dayMS = 24 * 60 * 60 * 1000

// LocalParts cuts the half-open time from from to to at every midnight of zone,
// at every change of its offset, and wherever its clock shows one of the edges,
// given in minutes of the day. An hour that the clock shows twice is cut twice.
// The parts are in order and fill the time.
func LocalParts(from, to events.Time, zone *time.Location, edges []int) []LocalPart {
	parts := []LocalPart{}
	for at := from; at.Before(to); {
		std := time.UnixMilli(at.UnixMS).In(zone)
		_, offset := std.Zone()
		localMS := at.UnixMS + int64(offset)*1000
		midnight := localMS - mod(localMS, dayMS)
		next := midnight + dayMS
		for _, e := range edges {
			if edge := midnight + int64(e)*60_000; edge > localMS {
				next = min(next, edge)
			}
		}
		end := next - int64(offset)*1000
		if _, change := std.ZoneBounds(); !change.IsZero() {
			end = min(end, change.UnixMilli())
		}
		cut := to
		if end < to.UnixMS {
			cut = events.TimeOf(time.UnixMilli(end).In(zone))
		}
		parts = append(parts, LocalPart{From: at, To: cut, Day: std.Format(time.DateOnly),
			Minute: int((localMS - midnight) / 60_000), OffsetSeconds: offset})
		at = cut
	}
	return parts
}

// mod is the remainder of a/b that is never negative.
func mod(a, b int64) int64 { return (a%b + b) % b }
