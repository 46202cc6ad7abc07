package browser

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// patience is how long a page or a process may take to get somewhere.
const patience = 90 * time.Second

// house is one running ledger with the invented month in it, a user of every role, and a browser.
type house struct {
	address string // of the service
	dir     string // program, data and downloads
	browser context.Context
}

const (
	password = "three short words"
	zone     = "Europe/Dublin"
)

// roles are the users, one of each role, named as their role.
func roles() []string { return []string{"administrator", "office", "officer", "yard", "crew"} }

var shared *house

func TestMain(m *testing.M) { os.Exit(run(m)) }

func run(m *testing.M) int {
	dir, err := os.MkdirTemp("", "spoilbook-browser")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer func() { _ = os.RemoveAll(dir) }()
	h := &house{dir: dir}
	stop, err := h.open()
	defer stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	shared = h
	return m.Run()
}

// open builds the program, fills a ledger, serves it, lets the users in and starts the browser.
func (h *house) open() (stop func(), err error) {
	var ends []func()
	stop = func() {
		for i := len(ends) - 1; i >= 0; i-- {
			ends[i]()
		}
	}
	data := filepath.Join(h.dir, "data")
	if err := h.command("go", "build", "-o", h.program(), "spoilbook/cmd/spoilbook"); err != nil {
		return stop, err
	}
	if err := h.command(h.program(), "demo", "--data", data, "--out", filepath.Join(h.dir, "out")); err != nil {
		return stop, err
	}
	if h.address, err = freeAddress(); err != nil {
		return stop, err
	}
	code, end, err := h.serve(data)
	ends = append(ends, end)
	if err != nil {
		return stop, err
	}
	if err := h.users(code); err != nil {
		return stop, err
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("lang", "en-IE"),
		// A page that is brought back as it was left is not one that chromedp knows.
		chromedp.Flag("disable-features", "Translate,BackForwardCache"))
	allocator, endAllocator := chromedp.NewExecAllocator(context.Background(), options...)
	ends = append(ends, endAllocator)
	browser, endBrowser := chromedp.NewContext(allocator, chromedp.WithErrorf(func(string, ...any) {}))
	ends = append(ends, endBrowser)
	h.browser = browser
	if err := chromedp.Do(browser); err != nil {
		return stop, fmt.Errorf("chromium does not start; deploy/check.sh installs it: %w", err)
	}
	return stop, nil
}

func (h *house) program() string { return filepath.Join(h.dir, "spoilbook") }

// command runs a program to its end, with nothing of the user's settings for this one.
func (h *house) command(name string, args ...string) error {
	c := exec.Command(name, args...)
	c.Env = environment()
	if out, err := c.CombinedOutput(); err != nil {
		return fmt.Errorf("%s %s: %w\n%s", name, strings.Join(args, " "), err, out)
	}
	return nil
}

func environment() []string {
	var env []string
	for _, v := range os.Environ() {
		if !strings.HasPrefix(v, "SPOILBOOK_") || strings.HasPrefix(v, "SPOILBOOK_ENGINE_CACHE=") {
			env = append(env, v)
		}
	}
	return env
}

func freeAddress() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return l.Addr().String(), l.Close()
}

// serve starts the service and waits for the code that makes the first administrator.
func (h *house) serve(data string) (code string, end func(), err error) {
	c := exec.Command(h.program(), "serve", "--sign-in", "--data", data, "--listen", h.address, "--tz", zone)
	c.Env = environment()
	pipe, err := c.StdoutPipe()
	if err != nil {
		return "", func() {}, err
	}
	c.Stderr = c.Stdout
	if err := c.Start(); err != nil {
		return "", func() {}, err
	}
	end = func() {
		_ = c.Process.Signal(syscall.SIGTERM)
		_ = c.Wait()
	}
	found := make(chan string, 1)
	var said strings.Builder
	var mu sync.Mutex
	go func() {
		lines := bufio.NewScanner(pipe)
		for lines.Scan() {
			mu.Lock()
			said.WriteString(lines.Text() + "\n")
			mu.Unlock()
			if m := regexp.MustCompile(`code[^A-Z0-9]+([A-Z0-9-]{8,})`).FindStringSubmatch(lines.Text()); m != nil {
				select {
				case found <- m[1]:
				default:
				}
			}
		}
	}()
	select {
	case code = <-found:
	case <-time.After(patience):
		mu.Lock()
		defer mu.Unlock()
		return "", end, fmt.Errorf("the service printed no code for the first administrator:\n%s", said.String())
	}
	for begun := time.Now(); time.Since(begun) < patience; time.Sleep(100 * time.Millisecond) {
		if answer, err := http.Get("http://" + h.address + "/health/ready"); err == nil {
			_ = answer.Body.Close()
			if answer.StatusCode == http.StatusOK {
				return code, end, nil
			}
		}
	}
	return code, end, fmt.Errorf("the service is not ready")
}

// users makes one of each role by the forms of the pages.
func (h *house) users(code string) error {
	jar, err := cookiejar.New(nil)
	if err != nil {
		return err
	}
	client := &http.Client{Jar: jar}
	send := func(path string, form url.Values) error {
		r, err := http.NewRequest("POST", "http://"+h.address+path, strings.NewReader(form.Encode()))
		if err != nil {
			return err
		}
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Origin", "http://"+h.address)
		answer, err := client.Do(r)
		if err != nil {
			return err
		}
		defer func() { _ = answer.Body.Close() }()
		if answer.StatusCode >= 400 {
			return fmt.Errorf("%s: %s", path, answer.Status)
		}
		return nil
	}
	if err := send("/begin", url.Values{"code": {code}, "name": {"administrator"}, "full": {"Una Gale"}, "password": {password}}); err != nil {
		return err
	}
	for _, role := range roles()[1:] {
		form := url.Values{"name": {role}, "full": {"The " + role}, "role": {role}, "password": {password}, "revision": {"0"}}
		if role == "crew" {
			form.Set("trucks", "TM-01")
		}
		if err := send("/people/user", form); err != nil {
			return err
		}
	}
	return nil
}

// node is the folder of what npm installed.
func node(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata/node/node_modules", path))
	if err != nil {
		t.Fatalf("%v: run npm ci in services/web/browser/testdata/node, or deploy/check.sh", err)
	}
	return string(text)
}

// next returns the number of a truck's next event.
func (h *house) next(t *testing.T, truck string) int {
	t.Helper()
	w := h.signedIn(t, "office")
	return 1 + ask[int](w, fmt.Sprintf(`(async () => { let last = 0, after = 0; for (;;) {
		const page = await (await fetch("/v1/events?limit=1000&truck=%s&after=" + after)).json(); const list = page.events || page;
		if (!list.length) return last;
		for (const e of list) { after = Math.max(after, e.position); const x = e.event || e; if (x.source === "/truck/%s") last = Math.max(last, x.seq); } } })()`, truck, truck))
}
