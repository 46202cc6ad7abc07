package broker

import (
	"cmp"
	"context"
	"crypto/rand"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

const (
	serverReadyTimeout = 10 * time.Second

	// The limits of the streams are set on the streams; this only keeps the server from guessing one from the free disk at start.
	serverStoreBytes  = 1 << 60
	serverMemoryBytes = 64 << 20

	// diskReserveBytes is left free on the disk. A server that meets a full disk stops writing until it is started again; one that is asked
	// for nothing more goes on by itself when there is room.
	diskReserveBytes = 64 << 20
)

// embedded is the in-process server. Its storage is Dir/jetstream.
type embedded struct {
	srv     *server.Server
	dir     string
	port    bool
	log     *serverLog
	secret  string        // of the hub, when there is a port
	door    *door         // nil where clients of the port are not asked who they are
	ends    func()        // ends what the door does beside
	reserve atomic.Uint64 // bytes of disk to leave free
}

// The users of an in-process server with a port: this process, and everybody else.
const (
	hubUser   = "hub"
	guestUser = "guest"
)

// guestPermissions let other processes on this machine do what a truck does, and nothing else: hand over events, and read receipts.
func guestPermissions() *server.Permissions {
	return &server.Permissions{
		Publish: &server.SubjectPermission{Allow: []string{
			EventsPrefix + ">",
			"$JS.API.INFO",
			"$JS.API.STREAM.INFO." + EventsStream,
			"$JS.API.STREAM.INFO." + ReceiptsStream,
			"$JS.API.CONSUMER.CREATE." + ReceiptsStream + ".>",
			"$JS.API.CONSUMER.INFO." + ReceiptsStream + ".>",
			"$JS.API.CONSUMER.MSG.NEXT." + ReceiptsStream + ".>",
			"$JS.API.CONSUMER.DELETE." + ReceiptsStream + ".>",
			"$JS.FC." + ReceiptsStream + ".>",
		}},
		Subscribe: &server.SubjectPermission{Allow: []string{"_INBOX.>", ReceiptsPrefix + ">"}},
	}
}

func startServer(o Options) (*embedded, error) {
	if err := os.MkdirAll(o.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("storage folder: %w", err)
	}
	so := &server.Options{
		ServerName:         "spoilbook",
		StoreDir:           o.Dir,
		JetStream:          true,
		JetStreamMaxStore:  serverStoreBytes,
		JetStreamMaxMemory: serverMemoryBytes,
		// Acknowledged must mean synced. The default syncs every two minutes.
		SyncAlways: true,
		DontListen: true,
		NoSigs:     true,
		NoLog:      true,
	}
	secret := rand.Text()
	var asks *door
	if o.Listen != "" {
		host, port, err := loopback(o.Listen)
		if err != nil {
			return nil, err
		}
		so.DontListen, so.Host, so.Port = false, host, port
		if o.Guarded {
			asks = &door{secret: secret, log: o.Logger.Warn, guests: map[uint64]string{}}
			so.CustomClientAuthentication, so.MaxConn = asks, maxGuestConns
		} else {
			so.Users = []*server.User{{Username: hubUser, Password: secret}, {Username: guestUser, Permissions: guestPermissions()}}
			so.NoAuthUser = guestUser
		}
	}
	srv, err := server.NewServer(so)
	if err != nil {
		return nil, fmt.Errorf("in-process server: %w", err)
	}
	e := &embedded{srv: srv, dir: o.Dir, port: !so.DontListen, secret: secret, log: &serverLog{log: o.Logger}, door: asks, ends: func() {}}
	e.reserve.Store(diskReserveBytes)
	srv.SetLogger(e.log, false, false)
	srv.Start()
	if fatal := e.log.fatalText(); fatal != "" {
		srv.Shutdown()
		return nil, fmt.Errorf("in-process server: %s", fatal)
	}
	if !srv.ReadyForConnections(serverReadyTimeout) {
		srv.Shutdown()
		return nil, fmt.Errorf("in-process server: not ready after %s", serverReadyTimeout)
	}
	if asks != nil {
		ctx, cancel := context.WithCancel(context.Background())
		e.ends = cancel
		go asks.recheck(ctx, srv)
	}
	return e, nil
}

// loopback splits an address and refuses every host that other machines could reach. Port 0 asks for any free port.
func loopback(addr string) (host string, port int, err error) {
	host, text, err := net.SplitHostPort(addr)
	if err != nil {
		return "", 0, fmt.Errorf("%w: listening address %q: %w", ErrSettings, addr, err)
	}
	if host == "localhost" {
		host = "127.0.0.1"
	}
	if ip := net.ParseIP(host); ip == nil || !ip.IsLoopback() {
		return "", 0, fmt.Errorf("%w: the in-process broker listens on this machine only, so %q must be 127.0.0.1, ::1 or localhost; "+
			"run an external server with credentials for other machines", ErrSettings, host)
	}
	port, err = strconv.Atoi(text)
	if err != nil || port < 0 || port > 65535 {
		return "", 0, fmt.Errorf("%w: listening port %q is not a number from 0 to 65535", ErrSettings, text)
	}
	if port == 0 {
		port = server.RANDOM_PORT
	}
	return host, port, nil
}

func (e *embedded) clientURL() string {
	if !e.port {
		return ""
	}
	return (&url.URL{Scheme: "nats", Host: e.srv.Addr().String()}).String()
}

// writable returns why the server can store nothing more: it has stopped writing, or would meet a full disk.
func (e *embedded) writable() error {
	if text := e.log.writeErrorText(); text != "" {
		cause := ErrUnavailable
		if strings.Contains(text, "no space left") {
			cause = ErrFull
		}
		return fmt.Errorf("%w: the in-process server has stopped writing, cure the cause and start again: %s", cause, text)
	}
	if free, known := diskFree(e.dir); known && free < e.reserve.Load() {
		return fmt.Errorf("%w: %d bytes are free on the disk of %s", ErrFull, free, e.dir)
	}
	return nil
}

// streamFolder is where the server keeps a stream. The account has the server's default name, as no other is configured.
func (e *embedded) streamFolder(stream string) string {
	return filepath.Join(e.dir, server.JetStreamStoreDir, server.DEFAULT_GLOBAL_ACCOUNT, "streams", stream)
}

// stop shuts the server down. Message files are written with syncing on, and the state of streams and consumers is written at the end.
func (e *embedded) stop(ctx context.Context) error {
	e.ends()
	done := make(chan struct{})
	go func() {
		defer close(done)
		e.srv.Shutdown()
		e.srv.WaitForShutdown()
	}()
	select {
	case <-done:
		return syncTree(e.dir)
	case <-ctx.Done():
		return fmt.Errorf("in-process server has not finished its shutdown: %w", ctx.Err())
	}
}

// syncTree syncs every file and folder under root. Those already synced cost little.
func syncTree(root string) error {
	return filepath.WalkDir(root, func(path string, entry os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if !entry.IsDir() && !entry.Type().IsRegular() {
			return nil
		}
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		if err := f.Sync(); err != nil {
			f.Close()
			return fmt.Errorf("sync %s: %w", path, err)
		}
		return f.Close()
	})
}

// serverLog passes the server's warnings and errors to slog. It remembers the last fatal one, and the first that says that a stream is not
// written any more, because the server reports them only here.
type serverLog struct {
	log        *slog.Logger
	mu         sync.Mutex
	fatal      string
	writeError string
	damage     string
}

func (l *serverLog) writeErrorText() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.writeError
}

// damageText returns the first line in which the server says that it met stored bytes that are not what it stored.
func (l *serverLog) damageText() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.damage
}

func (l *serverLog) fatalText() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.fatal
}

func (l *serverLog) Fatalf(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	l.mu.Lock()
	l.fatal = text
	l.mu.Unlock()
	l.log.Error("broker server", "message", text)
}

func (l *serverLog) Errorf(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	// A failed write of a batch that is still being collected is not among these: the next batch has a file of its own.
	ofStream := strings.HasPrefix(text, "JetStream stream '") || strings.HasPrefix(text, "Filestore [SPOILBOOK_")
	if stopped := strings.Contains(strings.ToLower(text), "critical write error"); stopped && ofStream ||
		strings.Contains(text, "will be DISABLED") {
		l.mu.Lock()
		l.writeError = cmp.Or(l.writeError, text)
		l.mu.Unlock()
	}
	l.log.Error("broker server", "message", text)
}

func (l *serverLog) Warnf(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if tellsDamage(text) {
		l.mu.Lock()
		l.damage = cmp.Or(l.damage, text)
		l.mu.Unlock()
	}
	l.log.Warn("broker server", "message", text)
}

// tellsDamage holds for the lines of nats-server 2.15 about messages of the events stream that can not be read as they were written. Those
// about the state that it keeps beside the messages are not among them: it makes that anew.
func tellsDamage(line string) bool {
	if !strings.HasPrefix(line, "Filestore ["+EventsStream+"]") {
		return false
	}
	for _, said := range []string{"indexCacheBuf corrupt", "loadBlock error", "Error loading msg", "checkMsgs: ", "Resource not found"} {
		if strings.Contains(line, said) {
			return true
		}
	}
	return false
}

func (l *serverLog) Noticef(string, ...any) {}
func (l *serverLog) Debugf(string, ...any)  {}
func (l *serverLog) Tracef(string, ...any)  {}
