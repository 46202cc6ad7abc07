package browser

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// tab is a window of somebody's own: nobody else's cookies are in it.
type tab struct {
	t    *testing.T
	ctx  context.Context
	base string

	mu    sync.Mutex
	wrong []string // what the browser complained of
	last  int64    // HTTP status of the last document
	marks int
}

// windowOpen is how long a window may be open at most: one that goes through every page in every form takes some minutes on a busy machine.
const windowOpen = 20 * time.Minute

// window opens a window on the service, or on an address before it.
func (h *house) window(t *testing.T, address string) *tab {
	t.Helper()
	ctx, end := chromedp.NewContext(h.browser, chromedp.WithNewBrowserContext())
	t.Cleanup(end)
	ctx, endPatience := context.WithTimeout(ctx, windowOpen)
	t.Cleanup(endPatience)
	w := &tab{t: t, ctx: ctx, base: "http://" + address}
	err := chromedp.Listen(ctx, func(event any) {
		w.mu.Lock()
		defer w.mu.Unlock()
		switch e := event.(type) {
		case *runtime.EventExceptionThrown:
			w.wrong = append(w.wrong, e.ExceptionDetails.Text)
		case *network.EventResponseReceived:
			if e.Type == network.ResourceTypeDocument {
				w.last = e.Response.Status
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	w.size(1280, 900, 1)
	return w
}

// signedIn opens a window and signs in by the form, as people do.
func (h *house) signedIn(t *testing.T, role string) *tab {
	t.Helper()
	return h.signedInAt(t, h.address, role)
}

func (h *house) signedInAt(t *testing.T, address, role string) *tab {
	t.Helper()
	w := h.window(t, address)
	w.open("/sign-in")
	w.fill("#name", role)
	w.fill("#password", password)
	w.press("main form button")
	w.waitFor(`document.querySelector("form.who") !== null`, "nobody is signed in")
	return w
}

func (w *tab) do(actions ...chromedp.Action[chromedp.Void]) {
	w.t.Helper()
	if err := chromedp.Do(w.ctx, actions...); err != nil {
		w.t.Fatal(err)
	}
}

// size sets the window's width and height in CSS pixels, and how many dots each has.
func (w *tab) size(width, height int64, dots float64) {
	w.t.Helper()
	w.do(chromedp.EmulateViewport(width, height, chromedp.EmulateScale(dots)))
}

// open goes to a page of the service.
func (w *tab) open(path string) {
	w.t.Helper()
	w.do(chromedp.Navigate(w.base + path))
}

// status is the HTTP status of the last page.
func (w *tab) status() int64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.last
}

// ask evaluates an expression in the page.
func ask[T any](w *tab, expression string) T {
	w.t.Helper()
	out, err := chromedp.Run(w.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		w.t.Fatalf("%.200s: %v", expression, err)
	}
	return out
}

// waitFor waits until an expression is true, on whatever page the window then shows.
func (w *tab) waitFor(expression, otherwise string) {
	w.t.Helper()
	for begun := time.Now(); time.Since(begun) < patience; time.Sleep(50 * time.Millisecond) {
		// Between two pages there is nothing that could be asked.
		if yes, err := chromedp.Run(w.ctx, chromedp.Evaluate[bool]("Boolean("+expression+")")); err == nil && yes {
			return
		}
	}
	w.t.Fatalf("%s; at %s the page says:\n%.1500s", otherwise, ask[string](w, "location.href"), w.text())
}

// reload loads the page again, as people do who do not know what else to do.
func (w *tab) reload() { w.again("location.reload()") }

// back goes to the page before.
func (w *tab) back() { w.again("history.back()") }

// mark marks the page that is shown, so that the next one is told from it; each mark is a new one, because a browser can bring a page back
// as it was left.
func (w *tab) mark() string {
	w.t.Helper()
	w.marks++
	name := fmt.Sprintf("data-left-%d", w.marks)
	ask[int](w, "document.documentElement.setAttribute('"+name+"', ''), 0")
	return name
}

// again does what leads to another page and waits for that.
func (w *tab) again(expression string) {
	w.t.Helper()
	mark := w.mark()
	ask[int](w, "setTimeout(() => "+expression+"), 0")
	w.waitFor(`document.readyState === "complete" && !document.documentElement.hasAttribute("`+mark+`")`, "there is no other page")
}

// text is what the page says.
func (w *tab) text() string { return ask[string](w, "document.body ? document.body.innerText : ''") }

// sees fails unless the page says all of the texts.
func (w *tab) sees(texts ...string) {
	w.t.Helper()
	said := w.text()
	for _, text := range texts {
		if !strings.Contains(said, text) {
			w.t.Fatalf("at %s %q is missing:\n%.3000s", ask[string](w, "location.href"), text, said)
		}
	}
}

// fill types a value into a field, in place of what stands there.
func (w *tab) fill(selector, value string) {
	w.t.Helper()
	quoted, _ := json.Marshal(selector)
	w.do(chromedp.WaitVisible(chromedp.CSS(selector)), chromedp.Focus(chromedp.CSS(selector)))
	ask[int](w, fmt.Sprintf("document.querySelector(%s).select(), 0", quoted))
	w.do(chromedp.KeyEvent(value))
}

// set gives a field a value that is not typed, such as a date.
func (w *tab) set(selector, value string) {
	w.t.Helper()
	w.do(chromedp.WaitVisible(chromedp.CSS(selector)))
	quoted, _ := json.Marshal(selector)
	text, _ := json.Marshal(value)
	ask[int](w, fmt.Sprintf("document.querySelector(%s).value = %s, 0", quoted, text))
}

// press clicks and waits for the page that comes of it.
func (w *tab) press(selector string) {
	w.t.Helper()
	quoted, _ := json.Marshal(selector)
	w.waitFor(fmt.Sprintf("document.querySelector(%s)", quoted), "there is no "+selector)
	mark := w.mark()
	w.do(chromedp.Click(chromedp.CSS(selector)))
	w.waitFor(`document.readyState === "complete" && !document.documentElement.hasAttribute("`+mark+`")`, selector+" leads nowhere")
}

// named returns a selector of the link or button with a text, by marking it.
func (w *tab) named(text string) string {
	w.t.Helper()
	quoted, _ := json.Marshal(text)
	found := ask[bool](w, fmt.Sprintf(`(() => { for (const e of document.querySelectorAll("[data-found]")) e.removeAttribute("data-found");
		const all = [...document.querySelectorAll("main a, main button, main summary, nav a, header button, footer a")];
		const e = all.find(e => (e.innerText || e.getAttribute("aria-label") || "").trim().startsWith(%s)); if (e) e.dataset.found = "yes"; return !!e })()`, quoted))
	if !found {
		w.t.Fatalf("there is no link or button %q at %s:\n%.2000s", text, ask[string](w, "location.href"), w.text())
	}
	return "[data-found]"
}

// type presses keys, wherever the focus is.
func (w *tab) keys(keys ...string) {
	w.t.Helper()
	for _, k := range keys {
		w.do(chromedp.KeyEvent(k))
	}
}

// tabTo presses the tabulator until the focus is on what a selector names.
func (w *tab) tabTo(selector string) {
	w.t.Helper()
	const most = 200
	quoted, _ := json.Marshal(selector)
	for range most {
		if ask[bool](w, fmt.Sprintf("document.activeElement.matches(%s)", quoted)) {
			return
		}
		w.keys(kb.Tab)
	}
	w.t.Fatalf("%d presses of the tabulator do not reach %s", most, selector)
}

// download presses what leads to a file and returns its bytes.
func (w *tab) download(selector string) []byte {
	w.t.Helper()
	dir := w.t.TempDir()
	_, err := chromedp.CallBrowser(w.ctx, browser.SetDownloadBehavior, browser.SetDownloadBehaviorParams{Behavior: browser.SetDownloadBehaviorBehaviorAllowAndName,
		DownloadPath: dir, BrowserContextID: chromedp.FromContext(w.ctx).BrowserContextID})
	if err != nil {
		w.t.Fatal(err)
	}
	quoted, _ := json.Marshal(selector)
	ask[int](w, fmt.Sprintf("document.querySelector(%s).click(), 0", quoted))
	for begun := time.Now(); time.Since(begun) < patience; time.Sleep(100 * time.Millisecond) {
		files, err := filepath.Glob(filepath.Join(dir, "*"))
		if err != nil {
			w.t.Fatal(err)
		}
		if len(files) != 1 || strings.HasSuffix(files[0], ".crdownload") {
			continue
		}
		text, err := os.ReadFile(files[0])
		if err != nil {
			w.t.Fatal(err)
		}
		return text
	}
	w.t.Fatalf("nothing was downloaded by %s; the page says:\n%.1000s", selector, w.text())
	return nil
}

// shot keeps a picture of the whole page where people want to look at them.
func (w *tab) shot(name string) {
	w.t.Helper()
	dir := os.Getenv("SPOILBOOK_SCREENSHOTS")
	if dir == "" {
		return
	}
	height := min(ask[float64](w, "document.scrollingElement.scrollHeight"), 2600) // no more of a long page than can be looked at
	width := ask[float64](w, "document.scrollingElement.clientWidth")
	picture, err := chromedp.Call(w.ctx, page.CaptureScreenshot, page.CaptureScreenshotParams{CaptureBeyondViewport: new(true), Clip: &page.Viewport{Width: width, Height: height, Scale: 1}})
	if err != nil {
		w.t.Fatal(err)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		w.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), picture.Data, 0o644); err != nil {
		w.t.Fatal(err)
	}
}

// scripts lets pages run scripts, or not.
func (w *tab) scripts(on bool) {
	w.t.Helper()
	if _, err := chromedp.Call(w.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !on}); err != nil {
		w.t.Fatal(err)
	}
}
