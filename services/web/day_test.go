package web_test

import (
	"encoding/xml"
	"errors"
	"html"
	"io"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/services/access"
	"spoilbook/services/tongue"
)

// pictures returns the drawings of a page; each must be well-formed.
func pictures(t *testing.T, page string) []string {
	t.Helper()
	list := regexp.MustCompile(`(?s)<div class="picture".*?</svg></div>`).FindAllString(page, -1)
	for _, p := range list {
		d := xml.NewDecoder(strings.NewReader(p))
		d.Strict, d.Entity = true, xml.HTMLEntity
		for {
			_, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("a drawing is not well-formed: %v", err)
			}
		}
	}
	return list
}

func TestTheDayIsDrawn(t *testing.T) {
	r := newRig(t, false)
	v := r.visitor()
	all := v.read("/yard/day?day=2026-10-14", 200)
	wants(t, all, "<h1>The day</h1>", "Wednesday, 14 October 2026", "ledger position", "TM-01", "Big Heron", "TM-02", "TM-03", "Emergency stops", "Debris tank (holds 8.00 m³)")
	if n := len(pictures(t, all)); n != 3 {
		t.Errorf("%d trucks are drawn", n)
	}
	one := v.read("/yard/day?day=2026-10-14&truck=TM-01", 200)
	drawn := pictures(t, one)
	if len(drawn) != 1 {
		t.Fatalf("%d trucks are drawn where one was asked for", len(drawn))
	}
	wants(t, drawn[0], `class="act stopped"`, `class="mark stop"`, `class="mark reset"`, `class="mark restart"`, `class="work load-collected"`, `class="work water-decanted"`,
		`class="work spoil-tipped"`, `class="work water-refilled"`, `class="bound begin"`, `class="bound end"`, `class="band"`, `class="capacity"`, "full-dump haul", "full-dump return")
	// What is drawn stands in the tables: every link of an entry has its line, with its position.
	for _, to := range regexp.MustCompile(`href="#(e-(\d+))"`).FindAllStringSubmatch(drawn[0], -1) {
		line := regexp.MustCompile(`(?s)<tr id="` + to[1] + `">.*?</tr>`).FindString(one)
		if !strings.Contains(line, ">"+to[2]) {
			t.Errorf("the mark %s has no line with its position: %q", to[1], line)
		}
	}
	// A stretch of time leads to how the time split came to it.
	link := regexp.MustCompile(`<a href="(/reports/timesplit/line\?[^"]*)"><title>[^<]*Stopped`).FindStringSubmatch(drawn[0])
	if link == nil {
		t.Fatal("the stop leads nowhere")
	}
	wants(t, v.read(html.UnescapeString(link[1]), 200), "Rules and where they come from", "Events it rests on")
	for _, f := range regexp.MustCompile(`href="(/reports/[a-z]+\?[^"#]*)#findings"`).FindAllStringSubmatch(one, -1) {
		wants(t, v.read(html.UnescapeString(f[1]), 200), `id="findings"`)
	}
	wants(t, v.read("/yard/day?day=2025-01-01", 200), "Nothing is on record for this day", "Nothing on this day:")
	wants(t, v.read("/yard/day?day=2025-01-01&truck=TM-01", 200), "No shift on this day", "Nothing is recorded in these hours")
	for path, says := range map[string]string{"day=2026-02-30": "2026-10-05", "day=2026-10-14&from=x": "10:30", "day=2026-10-14&from=10:00&to=09:00": "not after", "day=2026-10-14&at=10:00&hours=-1": "hours",
		"day=2026-10-14&at=10:00&hours=NaN": "hours", "day=2026-10-14&page=0": "page", "day=2026-10-14&at=25:00": "10:30"} {
		wants(t, v.read("/yard/day?"+path, 400), says, "To do:")
	}
	v.read("/yard/day?day=2026-10-14&truck=TM-99", 404)
}

// The hours shown narrow drawing and tables alike, by links, down to those around a moment, and never leave the day.
func TestHoursOfTheDay(t *testing.T) {
	r := newRig(t, false)
	v := r.visitor()
	rows := func(page string) int { return strings.Count(page, `<tr id="e-`) }
	whole := v.read("/yard/day?day=2026-10-14&truck=TM-01", 200)
	two := v.read("/yard/day?day=2026-10-14&truck=TM-01&at=09:00&hours=2", 200)
	wants(t, two, "08:00–10:00", "Emergency stop pressed", `data-in="`, `data-go="earlier"`, `data-go="later"`)
	if rows(two) >= rows(whole) || rows(two) < 3 {
		t.Errorf("two hours have %d entries, the whole day %d", rows(two), rows(whole))
	}
	if strings.Contains(two, "Shift started") {
		t.Error("what lies before the hours is shown")
	}
	// From link to link, earlier and later, in and out; each page holds to the day.
	page := two
	for _, go_ := range []string{"earlier", "earlier", "in", "later", "out", "out", "all"} {
		to := regexp.MustCompile(`data-` + go_ + `="([^"#]*)#hours"`).FindStringSubmatch(page)
		if to == nil {
			t.Fatalf("there is no way %s", go_)
		}
		page = v.read(html.UnescapeString(to[1]), 200)
		ms := regexp.MustCompile(`data-from="(\d+)" data-to="(\d+)"`).FindStringSubmatch(page)
		from, _ := strconv.ParseInt(ms[1], 10, 64)
		to2, _ := strconv.ParseInt(ms[2], 10, 64)
		if midnight := events.MustTime("2026-10-13T23:00:00Z").UnixMS; from < midnight || to2 > midnight+24*3600_000 || to2-from < 10*60_000 {
			t.Errorf("%s leads to %d–%d", go_, from, to2)
		}
	}
	if rows(page) != rows(whole) {
		t.Errorf("back at the whole day there are %d entries, not %d", rows(page), rows(whole))
	}
	wants(t, v.read("/yard/day?day=2026-10-14&truck=TM-01&from=2026-10-14T07:00:00.000Z&to=2026-10-14T09:00:00.000Z", 200), "08:00–10:00")
	wants(t, v.read("/yard/day?day=2026-10-14&truck=TM-01&from=23:59", 200), "23:50–24:00")
}

// The Sunday on which the clock goes back has 25 hours; the hour that comes twice is told apart, in texts and in addresses.
func TestTheDayOfTheClockChange(t *testing.T) {
	r := newRig(t, false)
	v := r.visitor()
	day := v.read("/yard/day?day=2026-10-25", 200)
	wants(t, day, "it has 25 hours", "01:00 IST", "01:00 GMT")
	first := v.read("/yard/day?day=2026-10-25&from="+url.QueryEscape("01:00+01:00")+"&to="+url.QueryEscape("01:00+00:00"), 200)
	wants(t, first, "01:00&#43;01:00–01:00&#43;00:00")
	both := v.read("/yard/day?day=2026-10-25&from=01:00&to=02:00", 200)
	for page, hours := range map[string]int64{first: 1, both: 2, day: 25} {
		ms := regexp.MustCompile(`data-from="(\d+)" data-to="(\d+)"`).FindStringSubmatch(page)
		from, _ := strconv.ParseInt(ms[1], 10, 64)
		to, _ := strconv.ParseInt(ms[2], 10, 64)
		if to-from != hours*3600_000 {
			t.Errorf("%d ms are shown, want %d h", to-from, hours)
		}
	}
	// The night shift of the Saturday is in both days; in each with its whole time.
	saturday := v.read("/yard/day?day=2026-10-24", 200)
	wants(t, saturday, "class=\"cut\"")
	wants(t, day, "class=\"cut\"", "24 Oct")
	wants(t, v.read("/yard/day?day=2026-03-29", 200), "it has 23 hours")
	wants(t, v.read("/yard/day?day=2026-03-29&truck=TM-01&from=01:30&to=04:00", 200), "02:30–04:00")
}

func TestACrewsOwnDay(t *testing.T) {
	r := newRig(t, true)
	_, err := r.book.Change(t.Context(), access.Everyone(), access.User{Name: "crew-2", Role: access.Crew, Trucks: []events.TruckID{"TM-02"}}, password)
	r.must(err)
	_, err = r.book.Change(t.Context(), access.Everyone(), access.User{Name: "crew-12", Role: access.Crew, Trucks: []events.TruckID{"TM-01", "TM-02"}}, password)
	r.must(err)
	v := r.visitor()
	v.send("/sign-in", url.Values{"name": {"crew-2"}, "password": {password}}, 200)
	wants(t, v.read("/", 200), "<h1>Today</h1>", "TM-02", "Nothing is recorded today yet", "/yard/day?day=")
	for _, path := range []string{"/yard/day?day=2026-10-14&truck=TM-01", "/yard/today?truck=TM-01", "/yard?truck=TM-01"} {
		v.read(path, 403)
	}
	own := v.read("/yard/day?day=2026-10-14", 200)
	if strings.Contains(own, "TM-01") || strings.Contains(own, "TM-03") || len(pictures(t, own)) != 1 {
		t.Error("a crew sees another's day")
	}
	both := r.visitor()
	both.send("/sign-in", url.Values{"name": {"crew-12"}, "password": {password}}, 200)
	text := both.read("/yard/day?day=2026-10-14", 200)
	if strings.Contains(text, "TM-03") || len(pictures(t, text)) != 2 {
		t.Error("a crew of two trucks does not see these two")
	}
}

// Today says what was recorded and what is still missing.
func TestTodaySaysWhatIsMissing(t *testing.T) {
	r := newRig(t, false)
	now := time.Date(2026, 11, 16, 12, 0, 0, 0, time.UTC)
	r.clock = func() time.Time { return now }
	at := func(minutesAgo int64) events.Time { return events.Time{UnixMS: now.UnixMilli() - minutesAgo*60_000} }
	add := func(n uint64, minutesAgo int64, body events.Body) events.Event {
		return events.Event{ID: "today-" + strconv.FormatUint(n, 10), Source: "/truck/TM-01", Seq: 900_000 + n, Truck: "TM-01", Job: "J-101", Occurred: at(minutesAgo), Origin: events.FromCrew, Body: body}
	}
	r.record([]events.Event{add(1, 50, events.ShiftStarted{}), add(2, 40, events.FacilityArrived{Facility: "F-GORSE"}),
		add(3, 30, events.SpoilTipped{Start: at(35), End: at(30), Facility: "F-GORSE", Whole: true}), add(4, 20, events.EmergencyStopPressed{Station: events.StationRear})})
	v := r.visitor()
	text := v.read("/yard/today?truck=TM-01", 200)
	wants(t, text, "Still missing from the record", "The docket of the tip at", "The cause of the emergency stop at", "The end of the shift, when it is over", "Emergency stop pressed: rear", "no docket yet",
		"find the cause", "What has to happen next")
	r.record([]events.Event{add(5, 19, events.EmergencyStopReset{Inspected: true}), add(6, 18, events.PlantRestarted{}), add(7, 10, events.FacilityLeft{Facility: "F-GORSE"}), add(8, 1, events.ShiftEnded{})})
	if strings.Contains(v.read("/yard/today?truck=TM-01", 200), "The end of the shift, when it is over") {
		t.Error("the end of the shift is missing though it is recorded")
	}
}

// Whoever reads German reads German: no text of these pages is left in English that the files of the tongue do not know.
func TestTheYardInGerman(t *testing.T) {
	r := newRig(t, false)
	v := r.visitor()
	v.client.Transport, v.tongue = german{}, "de"
	for path, parts := range map[string][]string{
		"/yard?at=2026-10-14T10:30":               {"<h1>Betriebshof</h1>", "Pause", "seit 10:10", "5,32 m³", "klares Wasser"},
		"/yard/day?day=2026-10-14&truck=TM-01":    {"<h1>Der Tag</h1>", "Mittwoch, 14.10.2026", "Not-Halt gedrückt", "Aushubtank (fasst 8,00 m³)", "Dasselbe als Tabellen", "Entladefahrt: Hinfahrt"},
		"/yard/today":                             {"<h1>Heute</h1>", "Andere Fahrzeuge", "TM-01"},
		"/yard/day?day=2026-10-14&from=10:00&to=": {"Ganzer Tag", "Arbeitsstunden"},
	} {
		text := v.read(path, 200)
		wants(t, text, parts...)
		for _, english := range []string{"since", "Debris tank", "ledger position", "kept fresh", "Nothing", "Missing", "Shift", "Load,"} {
			if strings.Contains(text, english) {
				t.Errorf("%s says %q", path, english)
			}
		}
	}
	for _, key := range regexp.MustCompile(`\{\{t "([^"]*)"|\(t "([^"]*)"`).FindAllStringSubmatch(templates(t, "yard", "day", "today"), -1) {
		if text := key[1] + key[2]; !tongue.Of("de").Knows(text) {
			t.Errorf("there is no German for %q", text)
		}
	}
}

// german asks for pages in German.
type german struct{}

func (german) RoundTrip(r *http.Request) (*http.Response, error) {
	r = r.Clone(r.Context())
	r.Header.Set("Accept-Language", "de")
	return http.DefaultTransport.RoundTrip(r)
}

// templates returns the texts of pages.
func templates(t *testing.T, names ...string) string {
	t.Helper()
	all := ""
	for _, name := range names {
		text, err := os.ReadFile("page/" + name + ".html")
		if err != nil {
			t.Fatal(err)
		}
		all += string(text)
	}
	return all
}

// Many trucks come page by page, and a truck with a great many entries fills neither page nor drawing: what is not shown is counted, and the way
// to it named.
func TestManyTrucksAndManyEntries(t *testing.T) {
	r := newRig(t, false)
	at := func(minute int64) events.Time {
		return events.Time{UnixMS: events.MustTime("2026-11-16T00:00:00Z").UnixMS + minute*60_000}
	}
	var list []events.Event
	add := func(truck events.TruckID, seq uint64, minute int64, body events.Body) {
		list = append(list, events.Event{ID: string(truck) + "-" + strconv.FormatUint(seq, 10), Source: events.TruckSource(truck), Seq: seq, Truck: truck, Job: "J-101", Occurred: at(minute), Origin: events.FromCrew, Body: body})
	}
	for n := range 9 {
		truck := events.TruckID("TM-2" + strconv.Itoa(n))
		add(truck, 1, 400, events.ShiftStarted{})
		add(truck, 2, 800, events.ShiftEnded{})
		for k := uint64(0); k < 700 && n < 4; k++ {
			add(truck, 3+k, 401+int64(k)/2, events.LoadCollected{Start: at(400 + int64(k)/2), End: at(401 + int64(k)/2), Material: "M-CLAY", SlurryVolume: &events.Volume{VolumeML: 1000, Basis: events.Measured}})
		}
	}
	r.record(list)
	v := r.visitor()
	seen := map[string]bool{}
	for page := 1; page <= 3; page++ {
		text := v.read("/yard/day?day=2026-11-16&page="+strconv.Itoa(page), 200) // which holds it to its size
		wants(t, text, "Further trucks, by page", `aria-current="page">`+strconv.Itoa(page))
		for _, m := range regexp.MustCompile(`id="truck-(TM-2\d)"`).FindAllStringSubmatch(text, -1) {
			seen[m[1]] = true
		}
	}
	if len(seen) != 9 {
		t.Errorf("%d of 9 trucks are on the pages: %v", len(seen), seen)
	}
	alone := v.read("/yard/day?day=2026-11-16&truck=TM-20", 200)
	wants(t, alone, "more lines are not shown: show fewer hours", "700 · ")
	wants(t, v.read("/yard/day?day=2026-11-16&page=7", 200), "Further trucks, by page")
}
