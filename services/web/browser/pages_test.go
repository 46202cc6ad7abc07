package browser

import (
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// view is a page as one role sees it.
type view struct {
	name, role, path string
	status           int64
}

const month = "from=2026-10-01&to=2026-10-31&tz=Europe%2FDublin"

// views are the pages there are, each as the role that lives in it sees it. The empty role has not signed in.
func views() []view {
	list := []view{
		{"sign-in", "", "/sign-in", 200},
		{"begin", "", "/begin", 200},
		{"display", "yard", "/display", 200},
		{"yard", "yard", "/yard", 200},
		{"yard-then", "yard", "/yard?at=2026-10-05T10:30", 200},
		{"yard-crew", "crew", "/yard", 200},
		{"reports", "office", "/reports", 200},
		{"reports-crew", "crew", "/reports", 200},
		{"people", "administrator", "/people", 200},
		{"yard-day", "yard", "/yard/day?day=2026-10-05", 200},
		{"yard-today-crew", "crew", "/yard/today", 200},
		{"register", "office", "/register", 200},
		{"paper", "office", "/paper", 200},
		{"audit", "officer", "/audit/consignments?" + month, 200},
		{"audit-findings", "officer", "/audit/findings?" + month, 200},
		{"audit-balance", "officer", "/audit/balance?" + month, 200},
		{"audit-changes", "officer", "/audit/changes?" + month, 200},
		{"me", "crew", "/me", 200},
		{"office", "office", "/office?month=2026-10", 200},
		{"office-invoice", "office", "/office/invoice?client=C-ORLATH&from=2026-10-01&to=2026-10-31", 200},
		{"office-issued", "office", "/office/issued", 200},
		{"office-what-if", "office", "/office/what-if?client=C-ORLATH&from=2026-10-01&to=2026-10-31&card=RC-COUNCIL", 200},
		{"audit-sheet", "officer", "/audit/consignments/TG01-0001?" + month, 200},
		{"nowhere", "office", "/no-such-page", 404},
		{"denied", "officer", "/people", 403},
		{"bad-period", "office", "/reports/water?from=2026-10-31&to=2026-10-01&tz=Europe%2FDublin", 400},
		{"report-empty", "office", "/reports/water?from=2026-01-01&to=2026-01-02&tz=Europe%2FDublin", 200},
	}
	for _, name := range []string{"manifest", "water", "timesplit", "billable", "care", "stops", "axles"} {
		list = append(list, view{"report-" + name, "office", "/reports/" + name + "?" + month, 200})
	}
	return list
}

// form is a way in which pages are shown.
type form struct {
	name          string
	width, height int64
	dots          float64
	display       url.Values
}

// forms are wide and light, dark, a phone, at 200 % (half the pixels across, twice the dots), and in German with units of elsewhere.
func forms() []form {
	return []form{
		{"light", 1280, 900, 1, url.Values{"look": {"light"}}},
		{"dark", 1280, 900, 1, url.Values{"look": {"dark"}}},
		{"phone", 360, 800, 2, url.Values{"look": {"light"}}},
		{"double", 640, 450, 2, url.Values{"look": {"light"}}},
		{"german", 1280, 900, 1, url.Values{"language": {"de"}, "look": {"light"}}},
		{"american-phone-dark", 360, 800, 2, url.Values{"look": {"dark"}, "spoil": {"yd³"}, "water": {"US gal"}, "mass": {"short ton"}}},
	}
}

// TestEveryPageInEveryForm holds every page to WCAG 2.2 A and AA by axe-core, to its width, its weight, its language and its status, and to
// having nothing that the browser complains of.
func TestEveryPageInEveryForm(t *testing.T) {
	axe := node(t, "axe-core/axe.min.js")
	windows := map[string]*tab{}
	for _, v := range views() {
		if windows[v.role] == nil {
			if v.role == "" {
				windows[v.role] = shared.window(t, shared.address)
			} else {
				windows[v.role] = shared.signedIn(t, v.role)
			}
		}
		for _, f := range forms() {
			t.Run(v.name+"/"+f.name, func(t *testing.T) {
				w := windows[v.role]
				mine := &tab{t: t, ctx: w.ctx, base: w.base}
				mine.inForm(f)
				mine.open(v.path)
				if status := w.status(); status != v.status {
					t.Fatalf("%s answers %d, want %d:\n%.800s", v.path, status, v.status, mine.text())
				}
				mine.heldTo(axe, f)
				mine.shot(v.name + "-" + f.name)
				w.mu.Lock()
				defer w.mu.Unlock()
				if len(w.wrong) > 0 {
					t.Errorf("the browser complains: %s", strings.Join(w.wrong, "; "))
					w.wrong = nil
				}
			})
		}
	}
}

// inForm shows what is opened next in a form.
func (w *tab) inForm(f form) {
	w.t.Helper()
	w.size(f.width, f.height, f.dots)
	_, err := chromedp.Call(w.ctx, network.SetCookie, network.SetCookieParams{Name: "spoilbook-display", Value: f.display.Encode(), URL: w.base})
	if err != nil {
		w.t.Fatal(err)
	}
}

// maxPage is the size of the largest page, in bytes.
const maxPage = 300_000

// heldTo holds a page that is open to what holds for all.
func (w *tab) heldTo(axe string, f form) {
	w.t.Helper()
	size := ask[int](w, "fetch(location.href).then(a => a.blob()).then(b => b.size)")
	if size > maxPage {
		w.t.Errorf("the page has %d bytes, more than %d", size, maxPage)
	}
	if over := ask[int](w, "document.scrollingElement.scrollWidth - document.scrollingElement.clientWidth"); over > 0 {
		w.t.Errorf("the page is %d pixels wider than the window: %s", over, w.widest())
	}
	language := "en"
	if f.display.Get("language") != "" {
		language = f.display.Get("language")
	}
	if got := ask[string](w, "document.documentElement.lang"); got != language {
		w.t.Errorf("the page says it is in %q, want %q", got, language)
	}
	for _, v := range w.violations(axe) {
		w.t.Error(v)
	}
}

// widest names what sticks out of the window.
func (w *tab) widest() string {
	return ask[string](w, `[...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest(".scroll")).slice(0, 5)
		.map(e => e.tagName + "." + e.className + " " + (e.innerText || "").slice(0, 40)).join(" | ")`)
}

// violations runs axe-core in the page.
func (w *tab) violations(axe string) []string {
	w.t.Helper()
	run := `axe.run(document, {runOnly: {type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}, resultTypes: ["violations"]})
		.then(r => JSON.stringify(r.violations.map(v => ({id: v.id, help: v.help, nodes: v.nodes.slice(0, 4).map(n => n.target.join(" ") + ": " + n.failureSummary)}))))`
	ask[int](w, "if (!window.axe) {"+axe+"}; 0")
	found := ask[string](w, run)
	var list []struct {
		ID, Help string
		Nodes    []string
	}
	if err := json.Unmarshal([]byte(found), &list); err != nil {
		w.t.Fatalf("axe-core answered %q: %v", found, err)
	}
	var out []string
	for _, v := range list {
		out = append(out, fmt.Sprintf("%s (%s): %s", v.ID, v.Help, strings.Join(v.Nodes, "\n   ")))
	}
	return out
}
