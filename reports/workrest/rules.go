package workrest

import "slices"

// Measure says what of a stretch is held against the limit.
type Measure string

// The measures.
const (
	WorkTime    Measure = "work"    // work and driving, with rests too short to count
	DrivingTime Measure = "driving" // driving alone
	Span        Measure = "span"    // from the first duty to the end of the last driving
)

// Limit is the most that a stretch may measure.
type Limit struct {
	Name         string // stable: names the line
	Says         string // the limit in words
	Of           Measure
	MaxMS        int64
	RestMS       int64 // the rest that ends a stretch; 0 for a limit by the week
	FirstPartMS  int64 // a rest in two parts, in this order, ends one too; 0 when it does not
	SecondPartMS int64
	Weeks        int // a limit over so many consecutive calendar weeks
}

// RuleSet is a published set of limits that a report can warn by.
type RuleSet struct {
	Name       string // stable: by which it is chosen
	Title      string
	Source     string
	ShortestMS int64 // a shorter rest is work
	Limits     []Limit
	NotChecked string // what the text asks for besides
}

const (
	minuteMS = int64(60_000)
	hourMS   = 60 * minuteMS
)

// RuleSets lists the sets there are. The first is the usual one: it limits all work
// and not only driving.
func RuleSets() []RuleSet { return []RuleSet{newZealand(), europeanUnion(), unitedStates()} }

// Named returns the set with a name, the usual one for an empty name; ok is false when
// there is no such set.
func Named(name string) (set RuleSet, ok bool) {
	sets := RuleSets()
	if name == "" {
		return sets[0], true
	}
	n := slices.IndexFunc(sets, func(s RuleSet) bool { return s.Name == name })
	if n < 0 {
		return RuleSet{}, false
	}
	return sets[n], true
}

// Names lists the names of the sets.
func Names() []string {
	names := []string{}
	for _, s := range RuleSets() {
		names = append(names, s.Name)
	}
	return names
}

// newZealand is the work time rule of New Zealand as the NZ Transport Agency puts it:
// 30 minutes after five and a half hours of work, ten hours after thirteen, a whole
// day after seventy.
func newZealand() RuleSet {
	return RuleSet{
		Name: "nz-work-time", Title: "New Zealand work time rule", Source: "NZ Transport Agency, work time requirements",
		ShortestMS: 30 * minuteMS,
		Limits: []Limit{
			{Name: "continuous-work", Says: "work before a rest of 30 min", Of: WorkTime, MaxMS: 5*hourMS + 30*minuteMS, RestMS: 30 * minuteMS},
			{Name: "work-day", Says: "work before a rest of 10 h", Of: WorkTime, MaxMS: 13 * hourMS, RestMS: 10 * hourMS},
			{Name: "work-period", Says: "work before a rest of 24 h", Of: WorkTime, MaxMS: 70 * hourMS, RestMS: 24 * hourMS},
		},
		NotChecked: "variations, exemptions, small passenger services, logbooks, and work that the ledger does not hold",
	}
}

// europeanUnion is Regulation (EC) 561/2006: a break of 45 minutes, or of 15 and then
// 30, after four and a half hours of driving; nine hours a day, 56 a week, 90 in two
// weeks. That a day ends at a daily rest, which may be reduced to nine hours, and that
// a week is one of the calendar, is from memory (articles 4 and 8).
func europeanUnion() RuleSet {
	return RuleSet{
		Name: "eu-561-2006", Title: "Regulation (EC) No 561/2006", Source: "Regulation (EC) No 561/2006, articles 6 and 7",
		ShortestMS: 15 * minuteMS,
		Limits: []Limit{
			{Name: "continuous-driving", Says: "driving before a break of 45 min, or of 15 and then 30 min", Of: DrivingTime,
				MaxMS: 4*hourMS + 30*minuteMS, RestMS: 45 * minuteMS, FirstPartMS: 15 * minuteMS, SecondPartMS: 30 * minuteMS},
			{Name: "daily-driving", Says: "driving before a daily rest, at the least 9 h", Of: DrivingTime, MaxMS: 9 * hourMS, RestMS: 9 * hourMS},
			{Name: "weekly-driving", Says: "driving in a calendar week", Of: DrivingTime, MaxMS: 56 * hourMS, Weeks: 1},
			{Name: "fortnightly-driving", Says: "driving in two consecutive calendar weeks", Of: DrivingTime, MaxMS: 90 * hourMS, Weeks: 2},
		},
		NotChecked: "the ten hours allowed twice a week, the length of daily and weekly rests, work other than driving (Directive 2002/15/EC), " +
			"exemptions, tachographs, and driving that the ledger does not hold",
	}
}

// unitedStates is 49 CFR 395.3(a): eleven hours of driving, none after the fourteenth
// hour since coming on duty, until ten consecutive hours off duty.
func unitedStates() RuleSet {
	return RuleSet{
		Name: "us-395", Title: "49 CFR 395.3", Source: "49 CFR 395.3(a)",
		ShortestMS: 10 * hourMS,
		Limits: []Limit{
			{Name: "driving", Says: "driving before 10 h off duty", Of: DrivingTime, MaxMS: 11 * hourMS, RestMS: 10 * hourMS},
			{Name: "window", Says: "from coming on duty to the end of driving, before 10 h off duty", Of: Span, MaxMS: 14 * hourMS, RestMS: 10 * hourMS},
		},
		NotChecked: "the 30-minute interruption, the 60 and 70 hours of seven and eight days, sleeper berths, short-haul and other exceptions, " +
			"and duty that the ledger does not hold",
	}
}
