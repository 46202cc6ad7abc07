package register_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"spoilbook/events"
	book "spoilbook/reports/register"
	"spoilbook/services/register"
)

func folder(files map[string]string) fstest.MapFS {
	fsys := fstest.MapFS{}
	for name, text := range files {
		fsys[name] = &fstest.MapFile{Data: []byte(text)}
	}
	return fsys
}

const carriers = `register: carrier
author: Yard office
timeZone: Europe/Dublin
effectiveFrom: 2026-09-01
entries:
  - key: TARNMOOR
    document: {name: Tarnmoor Groundworks, address: "1 Quay Road, Tarnmoor"}
`

const trucks = `# Trucks of the yard.
register: truck
author: Yard office
timeZone: Europe/Dublin
effectiveFrom: 2026-09-01
entries:
  - key: TM-01
    document:
      name: Heron
      registration: 261-TR-101
      carrier: TARNMOOR
      debrisCapacityL: 6000
      freshCapacityL: 2000
      tareKg: 14500
      permittedGrossKg: 26000
      axles:
        - {name: front, fromFrontMM: 0, tareKg: 6500, permittedKg: 8000}
        - name: rear
          fromFrontMM: 4800
          tareKg: 8000
          permittedKg: 19000
  - key: TM-01
    effectiveFrom: 2026-10-26 # the day after the clocks go back
    author: Workshop
    note: second fresh tank fitted
    document: {name: Heron, registration: 261-TR-101, carrier: TARNMOOR, debrisCapacityL: 6000,
      freshCapacityL: 3000, tareKg: 14700, permittedGrossKg: 26000}
`

const money = `register: rate-card
author: Yard office
timeZone: Europe/Dublin
effectiveFrom: 2026-09-01T06:00:00+01:00
entries:
  - key: RC-1
    document:
      name: Day work
      currency: EUR
      rates: [{activity: loading, hourlyRate: 85.00}, {activity: travel, hourlyRate: 60}]
      bands:
        - {name: night, days: [mon, tue], from: 22:00, to: 06:00, multiplier: 1.50}
      tax: VAT
`

const taxes = `register: tax
author: Yard office
timeZone: Europe/Dublin
effectiveFrom: 2026-01-01
entries:
  - {key: VAT, document: {name: Value-added tax, ratePercent: 23}}
`

func whole() map[string]string {
	return map[string]string{"carriers.yaml": carriers, "trucks.yml": trucks, "money/cards.yaml": money,
		"money/taxes.yaml": taxes, "README.md": "not read"}
}

func TestRead(t *testing.T) {
	revs, err := register.Read(folder(whole()))
	if err != nil {
		t.Fatal(err)
	}
	got := []string{}
	for _, r := range revs {
		got = append(got, fmt.Sprintf("%s %s %s %s %s", r.Document.Register(), r.Key, r.EffectiveFrom, r.Author, r.Note))
	}
	want := []string{
		"carrier TARNMOOR 2026-09-01T00:00:00.000+01:00 Yard office ",
		"rate-card RC-1 2026-09-01T06:00:00.000+01:00 Yard office ",
		"tax VAT 2026-01-01T00:00:00.000Z Yard office ",
		"truck TM-01 2026-09-01T00:00:00.000+01:00 Yard office ",
		"truck TM-01 2026-10-26T00:00:00.000Z Workshop second fresh tank fitted",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("read\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	truck := revs[3].Document.(events.Truck)
	if len(truck.Axles) != 2 || truck.Axles[1].FromFrontMM != 4800 || truck.DebrisCapacityL != 6000 {
		t.Errorf("truck %+v", truck)
	}
	card := revs[1].Document.(events.RateCard)
	if card.Rates[0].HourlyRate != "85.00" || card.Rates[1].HourlyRate != "60" || card.Bands[0].From != "22:00" || card.Bands[0].Multiplier != "1.50" {
		t.Errorf("text written without quotes must stay as it is written: %+v", card)
	}
}

func TestProblemsNameTheirPlace(t *testing.T) {
	for _, c := range []struct{ name, file, from, to, wants string }{
		{"value", "trucks.yml", "tareKg: 14500", "tareKg: 145", "trucks.yml:14: entry 1 (TM-01): document.tareKg: found 145; allowed: 1000 to 60000 (kilograms)"},
		{"nested", "trucks.yml", "fromFrontMM: 4800", "fromFrontMM: 480000", "trucks.yml:19: entry 1 (TM-01): document.axles.1.fromFrontMM: found 480000"},
		{"wrong unit", "trucks.yml", "debrisCapacityL: 6000\n", "debrisCapacityM3: 6\n", `trucks.yml:12: entry 1 (TM-01): document.debrisCapacityM3: found an unknown member; allowed: "debrisCapacityL" (the unit is part of the name)`},
		{"fraction", "trucks.yml", "tareKg: 14500", "tareKg: 14500.5", "trucks.yml:14: entry 1 (TM-01): document.tareKg: found 14500.5; allowed: a whole number"},
		{"other base", "trucks.yml", "tareKg: 14500", "tareKg: 0x3A98", `document.tareKg: found "0x3A98"; allowed: a whole number`},
		{"underscores", "trucks.yml", "tareKg: 14500", "tareKg: 14_500", `document.tareKg: found "14_500"; allowed: a whole number`},
		{"list for object", "trucks.yml", "{name: front, fromFrontMM: 0, tareKg: 6500, permittedKg: 8000}", "[front]", "trucks.yml:17: entry 1 (TM-01): document.axles.0: found [\"front\"]; allowed: an object"},
		{"yes for text", "money/cards.yaml", "name: Day work", "name: true", "document.name: found true; allowed: text"},
		{"missing", "carriers.yaml", "name: Tarnmoor Groundworks, ", "", "carriers.yaml:7: entry 1 (TARNMOOR): document.name: found nothing; allowed: it must be given"},
		{"no document", "trucks.yml", "    document:\n      name: Heron\n", "    note: Heron\n    extra:\n", "trucks.yml:9: entry 1: extra: found an unknown member; allowed: key, effectiveFrom, author, note, document"},
		{"date", "trucks.yml", "effectiveFrom: 2026-10-26 ", "effectiveFrom: 2026-02-30 ", `trucks.yml:23: entry 2 (TM-01): effectiveFrom: found "2026-02-30"; allowed: a date`},
		{"no zone", "carriers.yaml", "timeZone: Europe/Dublin\n", "", "timeZone: found nothing; allowed: the IANA time zone in which 2026-09-01 begins"},
		{"bad zone", "carriers.yaml", "timeZone: Europe/Dublin\n", "timeZone: Europe/Tarnmoor\n", `carriers.yaml:3: timeZone: found "Europe/Tarnmoor"; allowed: an IANA time zone`},
		{"local zone", "carriers.yaml", "timeZone: Europe/Dublin\n", "timeZone: Local\n", `carriers.yaml:3: timeZone: found "Local"`},
		{"no author", "carriers.yaml", "author: Yard office\n", "", "author: found 0 characters; allowed: 1 to 80"},
		{"register", "carriers.yaml", "register: carrier", "register: carriers", `carriers.yaml:1: register: found "carriers"; allowed: calendar, carrier, client`},
		{"header member", "carriers.yaml", "author: Yard office", "writer: Yard office", "carriers.yaml:2: writer: found an unknown member; allowed: register, author, timeZone, effectiveFrom, entries"},
		{"no entries", "carriers.yaml", "entries:\n", "entries: []\nauthors:\n", "authors: found an unknown member"},
		{"syntax", "carriers.yaml", `"1 Quay Road, Tarnmoor"}`, `"1 Quay Road`, "carriers.yaml:7: file: found "},
		{"twice", "trucks.yml", "tareKg: 14500\n", "tareKg: 14500\n      tareKg: 14600\n", `trucks.yml:15: file: found mapping key "tareKg" already defined`},
		{"anchor", "trucks.yml", "name: Heron\n", "name: &h Heron\n", "trucks.yml:9: entry 1 (TM-01): document.name: found an anchor (&); allowed: plain values"},
		{"alias", "trucks.yml", "note: second fresh tank fitted", "note: *h", "found an alias (*)"},
		{"tag", "trucks.yml", "tareKg: 14500", "tareKg: !!int 14500", "document.tareKg: found a tag (!); allowed: plain values"},
		{"merge", "trucks.yml", "      axles:\n", "      <<: {tareKg: 15000}\n      axles:\n", "found a merge key (<<); allowed: a name and a colon"},
		{"infinite", "trucks.yml", "tareKg: 14500", "tareKg: .inf", `document.tareKg: found ".inf"; allowed: plain values`},
		{"two documents", "carriers.yaml", "entries:", "---\nentries:", "carriers.yaml:2: file: found several documents"},
		{"not an object", "carriers.yaml", carriers, "- 1\n", "carriers.yaml:1: file: found a list; allowed: an object with register"},
		{"empty", "carriers.yaml", carriers, "", "carriers.yaml:1: file: found nothing; allowed: an object with register"},
		{"same time twice", "trucks.yml", "effectiveFrom: 2026-10-26 ", "effectiveFrom: 2026-08-31T23:00:00Z ", "trucks.yml:23: entry 2 (TM-01): effectiveFrom: found 2026-08-31T23:00:00.000Z a second time"},
		{"unknown carrier", "trucks.yml", "carrier: TARNMOOR\n", "carrier: TARNMOR\n", `trucks.yml:11: entry 1 (TM-01): document.carrier: found "TARNMOR"; allowed: an entry of register carrier in force at 2026-09-01T00:00:00.000+01:00`},
		{"unknown tax", "money/cards.yaml", "tax: VAT", "tax: GST", `money/cards.yaml:13: entry 1 (RC-1): document.tax: found "GST"; allowed: an entry of register tax`},
		{"unknown calendar", "money/cards.yaml", "tax: VAT", "tax: VAT\n      calendar: IE", `document.calendar: found "IE"; allowed: an entry of register calendar`},
		{"in force too late", "carriers.yaml", "2026-09-01", "2026-10-01", `document.carrier: found "TARNMOOR", which takes effect only at 2026-10-01`},
	} {
		t.Run(c.name, func(t *testing.T) {
			files := whole()
			if !strings.Contains(files[c.file], c.from) {
				t.Fatalf("%s lacks %q", c.file, c.from)
			}
			files[c.file] = strings.Replace(files[c.file], c.from, c.to, 1)
			revs, err := register.Read(folder(files))
			if err == nil || len(revs) != 0 {
				t.Fatalf("accepted: %d entries, error %v", len(revs), err)
			}
			if !strings.Contains(err.Error(), c.wants) {
				t.Errorf("error\n%v\nshould contain\n%s", err, c.wants)
			}
		})
	}
}

func TestAllProblemsAtOnce(t *testing.T) {
	files := whole()
	files["carriers.yaml"] = strings.Replace(carriers, "name: Tarnmoor Groundworks, ", "", 1)
	files["trucks.yml"] = strings.NewReplacer("tareKg: 14500", "tareKg: 1", "freshCapacityL: 3000", "freshCapacityL: 99000").Replace(trucks)
	_, err := register.Read(folder(files))
	var problems *register.Problems
	if !errors.As(err, &problems) {
		t.Fatalf("error %v", err)
	}
	got := []string{}
	for _, p := range problems.List {
		got = append(got, fmt.Sprintf("%s:%d %s", p.File, p.Line, p.Field))
	}
	want := "carriers.yaml:7 document.name, trucks.yml:14 document.tareKg, trucks.yml:27 document.freshCapacityL"
	if s := strings.Join(got, ", "); s != want {
		t.Errorf("problems %s, want %s", s, want)
	}
}

func TestProblemsAreBounded(t *testing.T) {
	var b strings.Builder
	b.WriteString("register: operator\nauthor: Yard office\ntimeZone: Europe/Dublin\neffectiveFrom: 2026-09-01\nentries:\n")
	for i := range register.MaxProblems + 17 {
		fmt.Fprintf(&b, "  - {key: OP-%d, document: {}}\n", i)
	}
	_, err := register.Read(folder(map[string]string{"people.yaml": b.String()}))
	var problems *register.Problems
	if !errors.As(err, &problems) || len(problems.List) != register.MaxProblems || problems.More != 17 {
		t.Errorf("%v", err)
	}
}

func TestDeepNestingIsRefused(t *testing.T) {
	deep := strings.Replace(carriers, `"1 Quay Road, Tarnmoor"`, strings.Repeat("[", 40)+strings.Repeat("]", 40), 1)
	if _, err := register.Read(folder(map[string]string{"a.yaml": deep})); err == nil || !strings.Contains(err.Error(), "levels") {
		t.Errorf("error %v", err)
	}
}

// Brackets that are never closed are refused before they cost the parser time.
func TestUnclosedBracketsAreRefused(t *testing.T) {
	for _, text := range []string{strings.Repeat("[", 1<<20), strings.Repeat("{a: ", 1<<18), "a: 1\n" + strings.Repeat("- ", 1<<20), strings.Repeat("? ", 1<<20)} {
		_, err := register.Read(folder(map[string]string{"a.yaml": text}))
		if err == nil || !strings.Contains(err.Error(), "brackets that are not closed") {
			t.Errorf("%.10q: error %v", text, err)
		}
	}
	dashes := strings.Replace(carriers, "entries:", "# "+strings.Repeat("-", 100)+"\nentries:", 1)
	if _, err := register.Read(folder(map[string]string{"a.yaml": dashes})); err != nil {
		t.Errorf("a rule of dashes in a comment: %v", err)
	}
}

func TestNoFiles(t *testing.T) {
	if _, err := register.Read(folder(map[string]string{"notes.txt": "x"})); err == nil || !strings.Contains(err.Error(), "check the folder") {
		t.Errorf("error %v", err)
	}
}

func TestLargeFileIsRefused(t *testing.T) {
	text := carriers + strings.Repeat("#", register.MaxFileBytes)
	if _, err := register.Read(folder(map[string]string{"a.yaml": text})); err == nil || !strings.Contains(err.Error(), "split it") {
		t.Errorf("error %v", err)
	}
}

func TestKnownEntriesCount(t *testing.T) {
	known := bookOf(t, carriers)
	files := folder(map[string]string{"trucks.yml": trucks})
	if _, err := register.Read(files); err == nil {
		t.Error("a truck whose carrier is nowhere was accepted")
	}
	revs, err := register.Loader{Known: known}.Read(files)
	if err != nil || len(revs) != 2 {
		t.Errorf("%d entries, error %v", len(revs), err)
	}
	early := strings.Replace(trucks, "effectiveFrom: 2026-09-01", "effectiveFrom: 2026-08-01", 1)
	_, err = register.Loader{Known: known}.Read(folder(map[string]string{"trucks.yml": early}))
	if err == nil || !strings.Contains(err.Error(), `"TARNMOOR", which takes effect later`) {
		t.Errorf("error %v", err)
	}
	if err := (register.Loader{Known: known}).Verify(revs); err != nil {
		t.Errorf("verify: %v", err)
	}
	if err := (register.Loader{}).Verify(revs); err == nil || !strings.HasPrefix(err.Error(), "entry 1 (TM-01): document.carrier: ") {
		t.Errorf("verify without the book: %v", err)
	}
}

func TestZonesComeFromTheLoader(t *testing.T) {
	asked := []string{}
	l := register.Loader{Location: func(name string) (*time.Location, error) {
		asked = append(asked, name)
		return time.FixedZone(name, 2*60*60), nil
	}}
	revs, err := l.Read(folder(map[string]string{"a.yaml": carriers}))
	if err != nil {
		t.Fatal(err)
	}
	if got := revs[0].EffectiveFrom.String(); got != "2026-09-01T00:00:00.000+02:00" || strings.Join(asked, " ") != "Europe/Dublin" {
		t.Errorf("effective from %s, asked for %q", got, asked)
	}
}

// bookOf builds the book that the files' events make.
func bookOf(t testing.TB, files ...string) *book.Book {
	t.Helper()
	named := map[string]string{}
	for i, text := range files {
		named[fmt.Sprintf("%d.yaml", i)] = text
	}
	revs, err := register.Read(folder(named))
	if err != nil {
		t.Fatal(err)
	}
	return recorded(t, nil, nil, revs)
}

// recorded returns the book of earlier records and revs after them.
func recorded(t testing.TB, earlier *[]events.Recorded, known *book.Book, revs []events.RegisterRevised) *book.Book {
	t.Helper()
	if earlier == nil {
		earlier = &[]events.Recorded{}
	}
	at := events.MustTime("2026-09-01T08:00:00.000+01:00")
	made, err := register.Events(revs, known, "yard", uint64(len(*earlier))+1, at)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range made {
		*earlier = append(*earlier, events.Recorded{Event: e, Position: uint64(len(*earlier)) + 1, At: at})
	}
	return book.NewBook(*earlier)
}
