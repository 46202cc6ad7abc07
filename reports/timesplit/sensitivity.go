package timesplit

import (
	"fmt"

	"spoilbook/events"
	"spoilbook/reports"
)

// TripLimit says why a replay empties the tank.
type TripLimit string

// The limits.
const (
	ByVolume   TripLimit = "volume"             // the next load would not fit
	ByPayload  TripLimit = "payload"            // the next load would pass the permitted gross
	ByBoth     TripLimit = "volume and payload" // it would do both
	EndOfLoads TripLimit = "end of loads"       // the last load was tipped
)

// Trip is one full dump of a replay: what the tank held, the load that it made room
// for, and the limits then. The trip at the end of the loads makes room for none.
type Trip struct {
	At           events.Time // of the load it was made for
	Limit        TripLimit
	VolumeML     int64 // in the tank
	MassG        int64
	NextVolumeML int64 // of the load
	NextMassG    int64
	CapacityML   int64
	PayloadG     int64    // permitted gross less tare and fresh water aboard
	WithDecants  bool     // the replay with decants empties the tank here too
	Positions    []uint64 // of the load
}

// limit sets which limit the load would pass; none when it fits.
func (t *Trip) limit() {
	volume, payload := t.VolumeML+t.NextVolumeML > t.CapacityML, t.MassG+t.NextMassG > t.PayloadG
	switch {
	case volume && payload:
		t.Limit = ByBoth
	case volume:
		t.Limit = ByVolume
	case payload:
		t.Limit = ByPayload
	}
}

// compareTrips marks the trips that a replay with decants makes for the same load.
func compareTrips(plain, with []Trip) []Trip {
	made := map[uint64]bool{}
	for i := range with {
		made[with[i].Positions[0]] = true
	}
	for i := range plain {
		plain[i].WithDecants = made[plain[i].Positions[0]]
	}
	return plain
}

// cyclePercents are the lengths of a full dump at which a replay is reckoned, in
// percent of the one that was seen: traffic and distance move it most.
func cyclePercents() []int64 { return []int64{75, 100, 125, 150} }

// SavedAtMS returns the time that decanting saved had one full dump taken cycleMS:
// the trips saved at that length, less the time spent decanting.
func (r *Replay) SavedAtMS(cycleMS int64) int64 { return int64(r.SavedTrips())*cycleMS - r.DecantMS }

// BreakEvenMS returns the length of a full dump at which decanting neither saved nor
// cost time; ok is false when it saved no trip, and cost its time at any length.
func (r *Replay) BreakEvenMS() (ms int64, ok bool) {
	if r.SavedTrips() <= 0 {
		return 0, false
	}
	return reports.MulDiv(r.DecantMS, 1, int64(r.SavedTrips())), true
}

func (r *Report) sensitivityTable() reports.Table {
	single := func(c reports.Column) reports.Column { c.Total = false; return c }
	cols := []reports.Column{
		reports.TextColumn("truck", "Truck"), reports.TextColumn("cycle", "Length of a full dump"),
		single(reports.DurationColumn("cycle_h", "One full dump")), single(reports.CountColumn("saved_trips", "Trips saved")),
		single(reports.DurationColumn("decant_h", "Time spent decanting")), single(reports.DurationColumn("saved_h", "Time saved")),
		single(reports.DurationColumn("break_even_h", "Neither saves nor costs at")),
	}
	rows := []reports.Row{}
	for i := range r.Replays {
		p := &r.Replays[i]
		even := reports.Blank()
		if ms, ok := p.BreakEvenMS(); ok {
			even = reports.N(ms)
		}
		for _, percent := range cyclePercents() {
			name := "as is"
			if percent != 100 {
				name = fmt.Sprintf("%+d %%", percent-100)
			}
			cycleMS := reports.MulDiv(p.CycleMS, percent, 100)
			rows = append(rows, reports.Row{Key: cycleKey(p.Truck, percent), Cites: p.Positions, Cells: []reports.Cell{
				reports.T(string(p.Truck)), reports.T(name), reports.N(cycleMS), reports.N(int64(p.SavedTrips())),
				reports.N(p.DecantMS), reports.N(p.SavedAtMS(cycleMS)), even}})
		}
	}
	return reports.Table{Name: cycleTable, Title: "What decanting saves when a full dump takes less or more time",
		Empty: "No load was collected in this period.",
		Note: "Assumed: only the length of a full dump changes, by traffic, distance or queues; loads, decants, trips and the time spent decanting " +
			"stay as they are; crews neither wait for a facility to open nor choose a nearer one; a truck on a trip does no other work. " +
			"Where no trip is saved, decanting costs its time however long a dump takes.",
		Columns: cols, Rows: reports.RowsOf(rows), Cited: true}
}

func (r *Report) tripTable() reports.Table {
	single := func(c reports.Column) reports.Column { c.Total = false; return c }
	cols := []reports.Column{
		reports.TextColumn("truck", "Truck"), single(reports.CountColumn("trip", "Trip")), reports.InstantColumn("at", "Before the load of"),
		reports.TextColumn("limit", "What limits"), single(reports.VolumeColumn("held_m3", "In the tank")),
		single(reports.VolumeColumn("next_m3", "Next load")), single(reports.VolumeColumn("capacity_m3", "Capacity")),
		single(reports.MassColumn("held_kg", "In the tank")), single(reports.MassColumn("next_kg", "Next load")),
		single(reports.MassColumn("payload_kg", "Payload left by fresh water")), reports.YesNoColumn("with_decants", "Also with the decants"),
	}
	rows := []reports.Row{}
	for i := range r.Replays {
		for n, t := range r.Replays[i].Trips {
			cells := []reports.Cell{reports.T(string(r.Replays[i].Truck)), reports.N(int64(n + 1)), reports.At(t.At), reports.T(string(t.Limit)),
				reports.N(t.VolumeML), reports.N(t.NextVolumeML), reports.N(t.CapacityML), reports.N(t.MassG), reports.N(t.NextMassG), reports.N(t.PayloadG),
				reports.Yes(t.WithDecants)}
			if t.Limit == EndOfLoads {
				for _, c := range []int{5, 6, 8, 9} {
					cells[c] = reports.Blank()
				}
			}
			rows = append(rows, reports.Row{Cells: cells, Cites: t.Positions})
		}
	}
	return reports.Table{Name: "Trips without decanting", Title: "Every trip of the replay without decanting, and what limits it",
		Empty: "The replay makes no trip in this period.", Backing: true,
		Note: "By volume, the next load would not have fitted the tank; by payload, it would have passed the permitted gross less tare and fresh water; " +
			"the last trip is made because the last load was tipped.",
		Columns: cols, Rows: reports.RowsOf(rows), Cited: true}
}
