package browser

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"
)

const theDay = "/yard/day?day=2026-10-14"

// yardPages are the pages that people open beside a truck.
func yardPages() map[string]string {
	return map[string]string{"yard-cards": "/yard?at=2026-10-14T10:30", "day-fleet": theDay, "day-alone": theDay + "&truck=TM-01", "day-hours": theDay + "&truck=TM-01&at=09:00&hours=2",
		"day-clock-change": "/yard/day?day=2026-10-25", "day-empty": "/yard/day?day=2025-01-01", "today": "/yard/today?truck=TM-01"}
}

// On a phone held by a gloved hand nothing has to be scrolled sideways, what is pressed is large, and what is read is not small.
func TestYardAtArmsLength(t *testing.T) {
	axe := node(t, "axe-core/axe.min.js")
	w := shared.signedIn(t, "yard")
	for name, path := range yardPages() {
		for _, f := range forms() {
			w.inForm(f)
			w.open(path)
			w.heldTo(axe, f)
			w.shot(name + "-" + f.name)
			if f.width > 400 {
				continue
			}
			small := ask[[]string](w, `[...document.querySelectorAll("main a.way, main button, main summary, main input:not([type=hidden])")].filter(e => e.checkVisibility()).map(e => [e, e.getBoundingClientRect()])
				.filter(([e, b]) => b.height < 44 || b.width < 44).map(([e, b]) => e.outerHTML.slice(0, 80) + " " + b.width + "x" + b.height)`)
			if len(small) > 0 {
				t.Errorf("%s, %s: too small for a glove: %s", name, f.name, strings.Join(small, "; "))
			}
			if px := ask[float64](w, `parseFloat(getComputedStyle(document.querySelector(".doing, .about, .empty")).fontSize)`); px < 16 {
				t.Errorf("%s, %s: text of %g pixels", name, f.name, px)
			}
		}
	}
}

// same is what a page of the yard says, but for the moment at which it was made.
func (w *tab) same() string {
	return ask[string](w, `[...document.getElementById("yard").querySelectorAll("article, section")].map(e => e.innerHTML).join("\n")
		.replace(/<line class="now"[^>]*>/g, "").replace(/ d="[^"]*"/g, "").replace(/ open=""/g, "").replace(/ data-found="yes"/g, "")`)
}

// What happened while the link was cut stands on the page once it is mended, and the page is what a fresh one is: the cards, the day and the
// crew's own day. While it is cut each says so and since when.
func TestYardPagesAfterACutAreAsFreshOnes(t *testing.T) {
	secret := shared.token(t, "TM-03")
	for _, path := range []string{"/yard", "/yard/day?truck=TM-03", "/yard/today?truck=TM-03"} {
		way := newLine(t, shared.address)
		w := shared.signedInAt(t, way.listener.Addr().String(), "yard")
		w.open(path)
		w.waitFor(`document.getElementById("link").textContent.includes("kept fresh")`, "the page is not live")
		before := ask[string](w, `document.getElementById("yard").dataset.position`)
		way.setCut(true)
		w.waitFor(`/cut since \d\d:\d\d:\d\d/.test(document.getElementById("link").textContent)`, "the page does not say since when it is cut off")
		for range 2 {
			shared.starts(t, secret, "TM-03", shared.next(t, "TM-03"))
		}
		if now := ask[string](w, `document.getElementById("yard").dataset.position`); now != before {
			t.Errorf("%s knows of position %s over a cut link", path, now)
		}
		way.setCut(false)
		w.waitFor(fmt.Sprintf(`Number(document.getElementById("yard").dataset.position) >= %s + 2`, before), "the page does not catch up")
		w.waitFor(`document.getElementById("link").textContent.includes("kept fresh")`, "the page does not say that it is live again")
		fresh := shared.signedInAt(t, shared.address, "yard")
		fresh.open(path)
		fresh.waitFor(`document.getElementById("link").textContent.includes("kept fresh")`, "the fresh page is not live")
		if mine, theirs := w.same(), fresh.same(); mine != theirs || mine == "" {
			t.Errorf("%s after the cut:\n%s\nand fresh:\n%s", path, mine, theirs)
		}
	}
}

// The hours of a day are narrowed by links, by keys on the drawing and by drawing over a stretch; the way back is the browser's.
func TestHoursByLinkKeyAndMouse(t *testing.T) {
	w := shared.signedIn(t, "yard")
	hours := func() string {
		return ask[string](w, `document.querySelector(".picture").dataset.from + "-" + document.querySelector(".picture").dataset.to`)
	}
	w.open(theDay + "&truck=TM-01")
	whole := hours()
	w.press(w.named("6 h"))
	six := hours()
	if six == whole {
		t.Fatal("six hours are the whole day")
	}
	for _, k := range []struct{ key, to string }{{kb.ArrowRight, "later"}, {kb.ArrowLeft, "earlier"}, {"+", "in"}, {"-", "out"}, {kb.Home, "all"}} {
		before := hours()
		ask[int](w, `document.querySelector(".picture").focus(), 0`)
		w.keys(k.key)
		w.waitFor(fmt.Sprintf(`document.querySelector(".picture") && document.querySelector(".picture").dataset.from + "-" + document.querySelector(".picture").dataset.to !== %q`, before), "the key "+k.to+" does nothing")
	}
	if hours() != whole {
		t.Errorf("Home shows %s, not all of the day", hours())
	}
	drag := `(() => { const p = document.querySelector(".picture"), s = p.querySelector("svg"), b = s.getBoundingClientRect();
		const at = (type, share) => s.dispatchEvent(new PointerEvent(type, { bubbles: true, cancelable: true, button: 0, pointerType: "mouse", clientX: b.left + share * b.width, clientY: b.top + 40 }));
		at("pointerdown", .25); at("pointermove", .4); at("pointermove", .5); at("pointerup", .5); return 0 })()`
	ask[int](w, drag)
	w.waitFor(`document.querySelector(".picture") && document.querySelector(".picture").dataset.from !== "`+strings.Split(whole, "-")[0]+`"`, "drawing over a stretch does not show it")
	w.sees("06:00–12:00")
	w.back()
	w.waitFor(`document.querySelector(".picture").dataset.from + "-" + document.querySelector(".picture").dataset.to === "`+whole+`"`, "the way back does not lead back")
}
