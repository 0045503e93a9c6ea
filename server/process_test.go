package main

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"flag"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"ohmkeep/server/demo"
	"ohmkeep/store/storetest"
)

// firstAnswer is the time from exec to the first 200 of a page, s.
func (p *process) firstAnswer(path string) time.Duration {
	p.t.Helper()
	resp, err := http.Get(p.base + path)
	if err != nil {
		p.t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		p.t.Fatalf("%s: %s", path, resp.Status)
	}
	return time.Since(p.begun)
}

// TestProcessAnswersAfterItsStart: both pages answer at once when the link has
// been printed. How soon after the start is BenchmarkStart's.
func TestProcessAnswersAfterItsStart(t *testing.T) {
	t.Parallel()
	for _, path := range []string{"/health", "/sign-in"} {
		t.Logf("%s: the first answer came after %v", path, startProcess(t, storetest.Dir(t)).firstAnswer(path))
	}
}

// TestStartDoesNotWaitForTheLot: a first start serves while the demonstration
// lot, seconds of work, has just begun.
func TestStartDoesNotWaitForTheLot(t *testing.T) {
	t.Parallel()
	ctx, stop := context.WithCancel(t.Context())
	o := options{Listen: "127.0.0.1:0", Data: storetest.Dir(t), Demo: true, Log: slog.New(slog.DiscardHandler), Announce: io.Discard}
	var done, total int
	o.ready = func(a *app) {
		done, total = a.prepare.progress()
		stop()
	}
	if err := serve(ctx, o); err != nil {
		t.Fatal(err)
	}
	if total == 0 || done >= total {
		t.Errorf("%d of %d units had been run when the program served", done, total)
	}
}

// BenchmarkStart is the time from exec to the first 200 with a fresh database
// and the demonstration, and with the database of the start before.
func BenchmarkStart(b *testing.B) {
	binaryPath(b)
	for _, path := range []string{"/health", "/sign-in"} {
		b.Run("fresh"+path, func(b *testing.B) {
			var sum, least time.Duration
			for range b.N {
				p := startProcess(b, b.TempDir())
				d := p.firstAnswer(path)
				p.kill()
				sum += d
				if least == 0 || d < least {
					least = d
				}
			}
			b.ReportMetric(sum.Seconds()*1e3/float64(b.N), "ms/start")
			b.ReportMetric(least.Seconds()*1e3, "ms-least")
		})
	}
}

// lotDone waits until the demonstration lot has been run, and asks so rarely
// that the lot has the machine.
func lotDone(c *apiClient) {
	c.t.Helper()
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	var history struct{ Items []struct{ Status string } }
	for len(history.Items) < 24 {
		<-tick.C
		c.do("GET", "/runs?status=done&limit=100", nil, &history)
	}
}

const mib = 1 << 20

// settled waits until the resident memory has not moved by more than 1 MiB for
// a second, and returns it.
func (p *process) settled() int64 {
	p.t.Helper()
	since, last := time.Now(), p.status("VmRSS")
	until(func() bool {
		now := p.status("VmRSS")
		if now-last > mib || last-now > mib {
			since, last = time.Now(), now
		}
		return time.Since(since) > time.Second
	})
	return p.status("VmRSS")
}

const (
	idleMemory    = 64 * mib
	workingMemory = 128 * mib
	viewers       = 20
)

var wholeLot = flag.Bool("wholelot", false, "TestProcessMemory has the program run the whole demonstration lot first")

// What the program holds when nothing happens, after it has run the lot where
// that is asked for, and with twenty viewers and a run at work. The token is made
// while the server runs.
func TestProcessMemory(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("the memory of a process is the same under the race detector, which it is built without")
	}
	dir := storetest.Dir(t)
	if !*wholeLot {
		demonstrated(t, dir)
	}
	p := startProcess(t, dir)
	c := p.token("operator")
	if *wholeLot {
		lotDone(c)
	}
	idle, peak := p.settled(), p.status("VmHWM")
	t.Logf("idle %.1f MiB, %.1f MiB at its peak", float64(idle)/mib, float64(peak)/mib)
	if idle > idleMemory {
		t.Errorf("idle resident memory is %.1f MiB, to reach %d", float64(idle)/mib, idleMemory/mib)
	}
	busy := crashing() // readings back to back
	busy.Key, busy.Measurements[watched].Duration = "busy", 0.5
	c.do("PUT", "/procedures/busy", busy, nil)
	id := c.start(demo.TarnelKey, busy.Key)
	ended := make(chan error, viewers)
	for range viewers {
		conn := c.watch(id)
		go func() { ended <- readToEnd(conn) }()
	}
	begun := time.Now()
	var most int64
	for left := viewers; left > 0; {
		until(func() bool {
			most = max(most, p.status("VmRSS"))
			select {
			case err := <-ended:
				if err != nil {
					t.Error(err)
				}
				left--
				return true
			default:
				return false
			}
		})
	}
	var rec struct {
		Status   string
		Readings int
	}
	c.do("GET", "/runs/"+id, nil, &rec)
	if rec.Status != "done" || rec.Readings == 0 {
		t.Errorf("the run ended as %q with %d readings", rec.Status, rec.Readings)
	}
	t.Logf("%.1f MiB at most with %d viewers and a run of %d readings, %.1f s", float64(most)/mib, viewers, rec.Readings, time.Since(begun).Seconds())
	if most > workingMemory {
		t.Errorf("resident memory with %d viewers and a run is %.1f MiB, to reach %d", viewers, float64(most)/mib, workingMemory/mib)
	}
}

// watch opens the live stream of a run.
func (c *apiClient) watch(id string) *websocket.Conn {
	c.t.Helper()
	conn, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(c.base, "http")+"/runs/"+id+"/live",
		http.Header{"Authorization": {"Bearer " + c.token}})
	if err != nil {
		c.t.Fatal(err)
	}
	c.t.Cleanup(func() { conn.Close() })
	return conn
}

// readToEnd reads a live stream until the server ends it in order.
func readToEnd(conn *websocket.Conn) error {
	for {
		if _, _, err := conn.ReadMessage(); err != nil {
			if websocket.IsCloseError(err, websocket.CloseNormalClosure) {
				return nil
			}
			return err
		}
	}
}

// A stop in order marks the run, leaves no log beside the database, and the
// next start knows the browser that was signed in.
func TestProcessStopsInOrder(t *testing.T) {
	t.Parallel()
	dir := storetest.Dir(t)
	p := startProcess(t, dir, "-demo=true")
	cookie := p.signIn()
	c := p.token("operator")
	id := c.start("tarnel-6", "tarnel-6-characterisation")
	conn := c.watch(id)
	if _, _, err := conn.ReadMessage(); err != nil {
		t.Fatal(err)
	}
	if code := p.terminate(); code != 0 {
		t.Errorf("exit status %d\n%s", code, p.errors())
	}
	if err := readToEnd(conn); !websocket.IsCloseError(err, websocket.CloseGoingAway) && err != nil {
		t.Errorf("the viewer was told %v", err)
	}
	if log, err := os.Stat(databasePath(dir) + "-wal"); err == nil && log.Size() > 0 {
		t.Errorf("a log of %d bytes was left behind", log.Size())
	}
	p = startProcess(t, dir)
	c.base = p.base
	var rec struct{ Status, Reason string }
	c.do("GET", "/runs/"+id, nil, &rec)
	if rec.Status != "interrupted" || rec.Reason != "the server was stopped" {
		t.Errorf("the run is %q: %q", rec.Status, rec.Reason)
	}
	r, _ := http.NewRequest("GET", p.base+"/runs/"+id, nil)
	r.AddCookie(cookie)
	resp, err := http.DefaultTransport.RoundTrip(r)
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		t.Errorf("the session of before the stop: %s", resp.Status)
	}
	if code := p.terminate(); code != 0 {
		t.Errorf("exit status %d of the second start", code)
	}
}

// signIn uses the printed key and returns the session.
func (p *process) signIn() *http.Cookie {
	p.t.Helper()
	c := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := c.PostForm(p.base+"/sign-in", map[string][]string{"key": {p.key}, "name": {"Tester"}})
	if err != nil {
		p.t.Fatal(err)
	}
	resp.Body.Close()
	if len(resp.Cookies()) != 1 {
		p.t.Fatalf("%s with cookies %v", resp.Status, resp.Cookies())
	}
	return resp.Cookies()[0]
}

// tryProcess runs the binary with these arguments to its end.
func tryProcess(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	cmd := exec.CommandContext(t.Context(), binaryPath(t), args...)
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run()
	if err != nil && !errors.As(err, new(*exec.ExitError)) {
		t.Fatal(err)
	}
	return cmd.ProcessState.ExitCode(), out.String(), errs.String()
}

func TestProcessVersion(t *testing.T) {
	t.Parallel()
	code, out, errs := tryProcess(t, "-version")
	if code != 0 || errs != "" || !regexp.MustCompile(`^ohmkeep \S+\n$`).MatchString(out) {
		t.Errorf("exit status %d, printed %q and %q", code, out, errs)
	}
}

func TestProcessRefusesBadCommands(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for _, tc := range []struct {
		args []string
		says string
	}{
		{[]string{"-nonsense"}, "-nonsense"},
		{[]string{"-demo=perhaps"}, "perhaps"},
		{[]string{"serve"}, `"serve"`},
		{[]string{"token", "-data", dir, "-name", "A", "-role", "king"}, "king"},
		{[]string{"token", "-data", dir, "-role", "owner"}, "-name"},
	} {
		code, out, errs := tryProcess(t, tc.args...)
		if code != 2 || out != "" || !strings.Contains(errs, tc.says) {
			t.Errorf("%q: exit status %d, printed %q and %q", tc.args, code, out, errs)
		}
	}
}

func TestProcessSaysWhyItCannotStart(t *testing.T) {
	t.Parallel()
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name string
		args []string
		says string // a pattern
	}{
		{"the port is in use", []string{"-data", t.TempDir(), "-listen", taken.Addr().String()}, "address already in use"},
		{"the address is no address", []string{"-data", t.TempDir(), "-listen", "nowhere"}, "nowhere"},
		{"the data directory is a file", []string{"-data", file, "-listen", "127.0.0.1:0"}, "data directory.*" + regexp.QuoteMeta(file)},
		{"the database is newer", []string{"-data", newerSchema(t), "-listen", "127.0.0.1:0"}, "version 9999.*use a newer program"},
		{"the database is another program's", []string{"-data", foreign(t), "-listen", "127.0.0.1:0"}, "database of another program"},
		{"a token without a database", []string{"token", "-data", t.TempDir(), "-name", "A"}, "no database"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			code, out, errs := tryProcess(t, tc.args...)
			if code != 1 || out != "" || !regexp.MustCompile(tc.says).MatchString(errs) {
				t.Errorf("exit status %d, printed %q and %q", code, out, errs)
			}
		})
	}
}

// Root may write anywhere, so that the directory is taken from under the
// program in another way: a place that takes no files.
func TestProcessSaysThatItCannotWrite(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "sealed")
	if err := os.Mkdir(dir, 0o500); err != nil {
		t.Fatal(err)
	}
	if os.Geteuid() == 0 {
		dir = "/proc/self" // nobody can make a file there
	}
	code, out, errs := tryProcess(t, "-data", dir, "-listen", "127.0.0.1:0")
	if code != 1 || out != "" || !strings.Contains(errs, dir) {
		t.Errorf("exit status %d, printed %q and %q", code, out, errs)
	}
}

// newerSchema is a data directory that a later program has used.
func newerSchema(t *testing.T) string {
	dir := storetest.Dir(t)
	p := startProcess(t, dir, "-demo=false")
	p.terminate()
	execSQL(t, databasePath(dir), "INSERT INTO goose_db_version (version_id, is_applied) VALUES (9999, 1)")
	return dir
}

func foreign(t *testing.T) string {
	dir := storetest.Dir(t)
	execSQL(t, databasePath(dir), "CREATE TABLE somebody_elses (x)")
	return dir
}

func execSQL(t *testing.T, path, query string) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path)
	if err == nil {
		_, err = db.Exec(query)
		err = errors.Join(err, db.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
}
