package main

import (
	"fmt"
	"net/http"
	"os"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"spoilbook/services/demo"
)

// BenchmarkReady measures how long spoilbook serve takes until it is ready, on a
// data folder that holds a month, and how much memory it then keeps: idle, and
// after the reports of that month. Each round is a process of its own.
func BenchmarkReady(b *testing.B) {
	dir, env := b.TempDir(), environment(b)
	if status, out, stderr := runToEnd(b, dir, env, "spoilbook", "demo", "--data", "d"); status != 0 {
		b.Fatalf("exit status %d: %s%s", status, out, stderr)
	}
	var ready time.Duration
	var idle, used float64
	for b.Loop() {
		began := time.Now()
		p, err := start(dir, env, "spoilbook", "serve", "--open", "--data", "d", "--listen", "127.0.0.1:0")
		if err != nil {
			b.Fatal(err)
		}
		address, err := p.waitFor(`^spoilbook serves at (\S+)`)
		if err != nil {
			b.Fatal(err)
		}
		get(b, address+"/health/ready")
		ready += time.Since(began)
		idle += residentMB(b, p)
		for _, name := range []string{"manifest", "water", "timesplit", "billable"} {
			get(b, address+"/v1/reports/"+name+"?format=xlsx&from=2026-10-01&to=2026-10-31&tz="+demo.ZoneName)
		}
		used += residentMB(b, p)
		if status := p.end(syscall.SIGTERM); status != 0 {
			b.Fatalf("exit status %d", status)
		}
	}
	n := float64(b.N)
	b.ReportMetric(float64(ready.Milliseconds())/n, "ms-to-ready")
	b.ReportMetric(idle/n, "MB-idle")
	b.ReportMetric(used/n, "MB-after-reports")
}

func get(b *testing.B, url string) {
	b.Helper()
	res, err := http.Get(url)
	if err != nil {
		b.Fatal(err)
	}
	if err := res.Body.Close(); err != nil || res.StatusCode != http.StatusOK {
		b.Fatalf("%s answers %s, %v", url, res.Status, err)
	}
}

// residentMB returns the memory that a process keeps, in 10^6 bytes; 0 where the
// system does not tell it in /proc.
func residentMB(b *testing.B, p *process) float64 {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.cmd.Process.Pid))
	if err != nil {
		return 0
	}
	for line := range strings.Lines(string(text)) {
		if fields := strings.Fields(line); len(fields) == 3 && fields[0] == "VmRSS:" {
			kib, err := strconv.ParseFloat(fields[1], 64)
			if err != nil {
				b.Fatal(err)
			}
			return kib * 1024 / 1e6
		}
	}
	b.Fatalf("no VmRSS in %s", text)
	return 0
}
