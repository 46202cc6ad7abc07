package engine_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/signal"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"spoilbook/services/engine"
)

// Go's runtime needs its signal handlers: a nil pointer must stay a panic that
// can be recovered.
func TestSignalsStayGos(t *testing.T) {
	command := child(t, "panic", t.TempDir())
	output, err := command.CombinedOutput()
	if err != nil || string(output) != "recovered\n" {
		t.Fatalf("%v; the process printed %q", err, output)
	}
}

func childPanic() int {
	e := childOpen()
	defer e.Close()
	func() {
		defer func() {
			if recover() != nil {
				fmt.Println("recovered")
			}
		}()
		var p *engine.Exception
		fmt.Println(p.Code)
	}()
	return 0
}

func TestDirectoryOfAnotherProcessIsRefused(t *testing.T) {
	dir := t.TempDir()
	command := child(t, "hold", dir)
	stdin, err := command.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdout, err := command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := command.Start(); err != nil {
		t.Fatal(err)
	}
	defer command.Wait()
	defer stdin.Close()
	if line, err := bufio.NewReader(stdout).ReadString('\n'); err != nil || line != "open\n" {
		t.Fatalf("the other process printed %q, %v", line, err)
	}
	e, err := engine.Open(context.Background(), engine.Options{Dir: dir, Library: library(t)})
	if err == nil {
		e.Close()
		t.Fatal("two processes opened one directory")
	}
	if !strings.Contains(err.Error(), "Cannot lock file") {
		t.Fatalf("the error does not name the cause: %v", err)
	}
}

func childHold() int {
	e := childOpen()
	fmt.Println("open")
	io.Copy(io.Discard, engine.StandardInput())
	if err := e.Close(); err != nil {
		return 1
	}
	return 0
}

// A signal may land on a thread of the engine and must still reach the program,
// which closes the engine in good order.
func TestSignalReachesTheProgram(t *testing.T) {
	for _, sent := range []os.Signal{syscall.SIGTERM, os.Interrupt} {
		command := child(t, "signal", t.TempDir())
		stdout, err := command.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := command.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewReader(stdout)
		if line, err := lines.ReadString('\n'); err != nil || line != "open\n" {
			t.Fatalf("the process printed %q, %v", line, err)
		}
		if err := command.Process.Signal(sent); err != nil {
			t.Fatal(err)
		}
		line, err := lines.ReadString('\n')
		if err != nil || line != "closed after "+sent.String()+"\n" {
			t.Errorf("after %v the process printed %q, %v", sent, line, err)
		}
		if err := command.Wait(); err != nil {
			t.Error(err)
		}
	}
}

func childSignal() int {
	e := childOpen()
	received := make(chan os.Signal, 1)
	signal.Notify(received, syscall.SIGTERM, os.Interrupt)
	fmt.Println("open")
	s := <-received
	if err := e.Close(); err != nil {
		return 1
	}
	fmt.Println("closed after", s)
	return 0
}

// What was acknowledged before the process was killed is there afterwards, and
// no insert is there in part.
func TestKilledProcessKeepsWhatItAcknowledged(t *testing.T) {
	const batch = 1000
	dir := t.TempDir()
	command := child(t, "crash", dir)
	stdout, err := command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := command.Start(); err != nil {
		t.Fatal(err)
	}
	acknowledged := 0
	lines := bufio.NewScanner(stdout)
	for lines.Scan() {
		n, err := strconv.Atoi(lines.Text())
		if err != nil {
			t.Fatalf("the process printed %q", lines.Text())
		}
		acknowledged = n
		if n == 40 {
			if err := command.Process.Kill(); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := command.Wait(); err == nil || acknowledged < 40 {
		t.Fatalf("the process ended by itself after %d inserts", acknowledged)
	}
	c := connect(t, open(t, engine.Options{Dir: dir}))
	n := count(t, c, "SELECT count() FROM t")
	if n%batch != 0 || n < uint64(acknowledged*batch) || n > uint64((acknowledged+1)*batch) {
		t.Fatalf("%d rows are there after %d acknowledged inserts of %d", n, acknowledged, batch)
	}
	if torn := count(t, c, "SELECT count() FROM (SELECT a FROM t GROUP BY a HAVING count() != 1000)"); torn != 0 {
		t.Fatalf("%d inserts are there in part", torn)
	}
}

func childCrash() int {
	e := childOpen()
	insert := func(sql string) error {
		request, err := http.NewRequest("POST", "http://engine.local/", strings.NewReader(sql))
		if err != nil {
			return err
		}
		response, err := e.Transport().RoundTrip(request)
		if err != nil {
			return err
		}
		defer response.Body.Close()
		if text, err := io.ReadAll(response.Body); err != nil || response.StatusCode != http.StatusOK {
			return fmt.Errorf("%s: %s %w", response.Status, text, err)
		}
		return nil
	}
	if err := insert("CREATE TABLE t (a UInt64) ENGINE = MergeTree ORDER BY a"); err != nil {
		fmt.Println(err)
		return 1
	}
	for i := 1; ; i++ {
		if err := insert("INSERT INTO t FORMAT CSV\n" + strings.Repeat(strconv.Itoa(i)+"\n", 1000)); err != nil {
			fmt.Println(err)
			return 1
		}
		fmt.Println(i)
	}
}
