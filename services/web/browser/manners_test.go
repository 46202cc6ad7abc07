package browser

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// line is a way to the service that can be cut and mended.
type line struct {
	listener net.Listener
	to       string

	mu   sync.Mutex
	cut  bool
	open []net.Conn
}

func newLine(t *testing.T, to string) *line {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	n := &line{listener: l, to: to}
	t.Cleanup(func() { _ = l.Close(); n.setCut(true) })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go n.carry(c)
		}
	}()
	return n
}

// carry joins a connection to the service, or closes it at once while the line is cut.
func (n *line) carry(c net.Conn) {
	defer func() { _ = c.Close() }()
	far, err := net.Dial("tcp", n.to)
	if err != nil {
		return
	}
	defer func() { _ = far.Close() }()
	n.mu.Lock()
	if n.cut {
		n.mu.Unlock()
		return
	}
	n.open = append(n.open, c, far)
	n.mu.Unlock()
	go func() { _, _ = io.Copy(far, c); _ = far.Close() }()
	_, _ = io.Copy(c, far)
}

func (n *line) setCut(cut bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.cut = cut; cut {
		for _, c := range n.open {
			_ = c.Close()
		}
		n.open = nil
	}
}

// token makes a token of a truck by the page of people, and returns its secret.
func (h *house) token(t *testing.T, truck string) string {
	t.Helper()
	w := h.signedIn(t, "administrator")
	w.open("/people")
	w.fill("#for", "test of "+truck)
	w.set("#role", "truck")
	w.fill("#trucks", truck)
	w.set("#ends", time.Now().AddDate(0, 1, 0).Format(time.DateOnly))
	w.press(`form[action="/people/token"] button`)
	return ask[string](w, `document.body.innerText.match(/sbk_[A-Z0-9]+/)[0]`)
}

// starts has a truck nobody knew say that its shift began.
func (h *house) starts(t *testing.T, secret, truck string, seq int) {
	t.Helper()
	body := fmt.Sprintf(`{"specversion":"1.0","id":"%s-%d","source":"/truck/%s","type":"spoilbook.shift.started","subject":"%s","time":"%s","seq":%d,"origin":"controller","data":{}}`,
		truck, seq, truck, truck, time.Now().UTC().Format("2006-01-02T15:04:05.000Z"), seq)
	r, err := http.NewRequest("POST", "http://"+h.address+"/v1/events?wait=20s", strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+secret)
	r.Header.Set("Content-Type", "application/cloudevents+json")
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = answer.Body.Close() }()
	if text, _ := io.ReadAll(answer.Body); answer.StatusCode >= 300 {
		t.Fatalf("the event is answered %s: %s", answer.Status, text)
	}
}

// The yard page says when its connection is cut, and when that is mended it shows what happened meanwhile without being asked.
func TestYardIsRightAfterTheNetworkWasCut(t *testing.T) {
	secret := shared.token(t, "TM-03")
	way := newLine(t, shared.address)
	w := shared.signedInAt(t, way.listener.Addr().String(), "yard")
	w.open("/yard")
	w.waitFor(`document.getElementById("link").textContent.includes("kept fresh")`, "the page is not live")
	before := ask[string](w, `document.getElementById("yard").dataset.position`)
	way.setCut(true)
	w.waitFor(`document.getElementById("link").textContent.includes("not fresh")`, "the page does not say that it is cut off")
	w.shot("yard-cut-off")
	seq := shared.next(t, "TM-03")
	shared.starts(t, secret, "TM-03", seq)
	way.setCut(false)
	w.waitFor(`Number(document.getElementById("yard").dataset.position) > `+before, "the page does not catch up")
	w.waitFor(`document.getElementById("link").textContent.includes("kept fresh")`, "the page does not say that it is live again")
	if text := ask[string](w, `document.getElementById("truck-TM-03").closest("article").innerText`); !strings.Contains(text, "On shift since") {
		t.Errorf("the truck whose shift began while the network was cut:\n%s", text)
	}
}

// Two administrators change one user: the second is told and nothing of the first's is lost.
func TestTwoPeopleChangeOneThing(t *testing.T) {
	one, two := shared.signedIn(t, "administrator"), shared.signedIn(t, "administrator")
	form := `form:has([name=name][value=officer]) `
	one.open("/people")
	two.open("/people")
	one.fill(form+"[name=full]", "Olga First")
	one.press(form + "button")
	one.sees("officer")
	two.fill(form+"[name=full]", "Otto Second")
	two.press(form + "button")
	two.sees("meanwhile")
	two.open("/people")
	if name := ask[string](two, `document.querySelector("`+strings.TrimSpace(form)+` [name=full]").value`); name != "Olga First" {
		t.Errorf("the officer is called %q; the first change was to Olga First", name)
	}
}

// Going back shows what was there, and reloading changes nothing and asks nothing.
func TestBackAndReload(t *testing.T) {
	w := shared.signedIn(t, "office")
	w.open("/reports")
	w.period()
	w.press(w.named("Water"))
	w.sees("To look at")
	at := ask[string](w, "location.href")
	w.reload()
	w.sees("To look at")
	if now := ask[string](w, "location.href"); now != at {
		t.Errorf("reloading leads from %s to %s", at, now)
	}
	w.back()
	w.sees("Period")
	if from := ask[string](w, `document.querySelector("[name=from]").value`); from != "2026-10-01" {
		t.Errorf("going back to the choice of reports, the first day is %q", from)
	}
	// A form that was kept leads elsewhere, so reloading does not send it again.
	w.open("/display?to=/reports")
	w.set("#mass", "t")
	w.press("main form button")
	if path := ask[string](w, "location.pathname"); path != "/reports" {
		t.Errorf("after keeping the display the page is %s", path)
	}
	w.reload()
	if path := ask[string](w, "location.pathname"); path != "/reports" {
		t.Errorf("reloading after a form leads to %s", path)
	}
	// A session that ended in the middle of it leads to signing in and back to the same page.
	w.open("/reports/water?" + month)
	ask[int](w, `fetch("/sign-out", {method: "POST"}).then(() => 0)`)
	w.reload()
	w.sees("Sign in")
	w.fill("#name", "office")
	w.fill("#password", password)
	w.press("main form button")
	if path := ask[string](w, "location.pathname"); path != "/reports/water" {
		t.Errorf("after signing in again the page is %s", path)
	}
}

// By the keyboard alone: sign in, skip the menu, choose a report and open a line; what has the focus can always be seen.
func TestByKeyboardAlone(t *testing.T) {
	w := shared.window(t, shared.address)
	w.open("/sign-in")
	w.tabTo("#name")
	w.keys("office", kb.Tab, password, kb.Enter)
	w.waitFor(`document.querySelector("form.who") !== null`, "nobody is signed in")
	w.open("/reports?" + month)
	w.keys(kb.Tab)
	if first := ask[string](w, "document.activeElement.className"); first != "skip" {
		t.Errorf("the first stop is %q and not the way past the menu", first)
	}
	w.keys(kb.Enter)
	w.waitFor(`location.hash === "#main"`, "the way past the menu leads nowhere")
	for range 30 {
		w.keys(kb.Tab)
		if seen := ask[string](w, `(() => { const e = document.activeElement; if (e === document.body) return "body"; const s = getComputedStyle(e), r = e.getBoundingClientRect();
			return (s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2 || s.boxShadow !== "none") && r.width > 0 && r.height > 0 && r.bottom > 0 && r.top < innerHeight ? "" : [e.outerHTML.slice(0, 120), e.matches(":focus"), s.outlineStyle, s.outlineWidth, r.top, r.bottom].join(" ") })()`); seen == "body" {
			break
		} else if seen != "" {
			t.Errorf("the focus can not be seen on %s", seen)
		}
	}
	w.open("/reports/stops?" + month)
	w.tabTo("main tbody a")
	w.keys(kb.Enter)
	w.waitFor(`document.querySelector("h1").textContent.startsWith("How")`, "Enter does not open the line")
}

// Where scripts are off, the pages are read all the same.
func TestWithoutScripts(t *testing.T) {
	w := shared.signedIn(t, "yard")
	w.scripts(false)
	defer w.scripts(true)
	w.open("/yard")
	w.do(chromedp.WaitVisible(chromedp.CSS("#truck-TM-01")))
}
