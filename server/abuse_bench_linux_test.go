package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"golang.org/x/sys/unix"

	"ohmkeep/server/demo"
)

// abusers are how many of each kind there are at the same time.
var abusers = map[string]int{
	"viewer":        2000, // a third each at the home page, at the strip of the bench, and at the run at work
	"unread socket": 500,
	"half head":     1000,
	"half form":     500, // sign-ins whose forms are as large as they may be, and do not come to their end
	"download":      100, // of half a million readings, never read
	"guess":         8,   // one wrong key after the other, as fast as they are answered
}

// BenchmarkAbuse is what stop and make safe take, and how much memory the server
// holds, while it is abused: keys are guessed, headers and forms are half sent,
// sockets and downloads are never read, and 2,000 viewers look. Server and abusers
// are processes of their own, on the same machine. The same is measured before on
// the idle server.
//
//	go test ./server -run xxx -bench Abuse -benchtime 1x -timeout 20m
//
// To reach: at most 400 MiB resident, stop at the 99th percentile within 50 ms of
// that of the idle server.
func BenchmarkAbuse(b *testing.B) {
	dir := b.TempDir()
	long := longHistory(b, databasePath(dir), 500)
	p := startProcess(b, dir, "-demo=false")
	c := p.token("operator")
	furnish(c)
	for _, q := range demo.Scenario().Procedures {
		if q.Device == demo.TarnelKey {
			c.do("PUT", "/procedures/"+q.Key, q, nil)
		}
	}
	for range b.N {
		idle := timed(c, *stopsEach)
		b.ReportMetric(float64(p.status("VmRSS"))/mib, "idle-MiB")
		most := watchMemory(p)
		told := abuse(b, p, long)
		abused := timed(c, *stopsEach)
		b.Logf("meanwhile: %s", told())
		b.ReportMetric(float64(most())/mib, "most-MiB")
		b.ReportMetric(float64(p.status("VmHWM"))/mib, "peak-MiB")
		b.ReportMetric(float64(p.settled())/mib, "after-MiB")
		for i, name := range []string{"stop", "safe", "health", "start"} {
			b.ReportMetric(ms(quantile(idle.took[i], 0.99)), name+"-idle-p99-ms")
			b.ReportMetric(ms(quantile(abused.took[i], 0.99)), name+"-p99-ms")
			b.ReportMetric(ms(quantile(abused.took[i], 0.5)), name+"-p50-ms")
		}
		b.ReportMetric(abused.run.Seconds()/idle.run.Seconds(), "run-ratio")
		// Mistakes of clients are no errors of the server.
		log := p.errors()
		b.ReportMetric(float64(strings.Count(log, "level=ERROR")), "errors-logged")
		if _, first, found := strings.Cut(log, "level=ERROR"); found {
			b.Logf("the first error in the log: %.300s", first)
		}
	}
}

// watchMemory looks at the resident memory of a process until the end is called,
// which returns the most.
func watchMemory(p *process) (end func() int64) {
	over, most := make(chan struct{}), make(chan int64)
	go func() {
		var top int64
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-over:
				most <- top
				return
			case <-tick.C:
				top = max(top, p.status("VmRSS"))
			}
		}
	}()
	return func() int64 { close(over); return <-most }
}

// abuse has another process abuse the server, and returns when each abuser has been
// at it once. The end ends it, and says what was done.
func abuse(b *testing.B, p *process, long string) (end func() string) {
	b.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestAbuserProcess$")
	cmd.Env = append(os.Environ(), "OHMKEEP_ABUSE="+p.base, "OHMKEEP_ABUSE_RUN="+long, "OHMKEEP_ABUSE_TOKENS="+
		strings.Join([]string{p.token("viewer").token, p.token("viewer").token, p.token("viewer").token, p.token("viewer").token}, " "))
	in, err := cmd.StdinPipe()
	if err != nil {
		b.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	line := make([]byte, len(abuserReady))
	if _, err := io.ReadFull(out, line); err != nil || string(line) != abuserReady {
		b.Fatalf("the abusers said %q, %v", line, err)
	}
	return func() string {
		_ = in.Close()
		told, _ := io.ReadAll(out)
		if err := cmd.Wait(); err != nil {
			b.Error(err)
		}
		text, _, _ := strings.Cut(string(told), "\n")
		return text
	}
}

const abuserReady = "abusing\n"

// abuser is one process that abuses a server.
type abuser struct {
	base, run string
	tokens    []string
	ctx       context.Context
	client    *http.Client
	mu        sync.Mutex
	told      map[string]int // what happened how often
	working   atomic.Pointer[string]
}

// TestAbuserProcess is no test: it is the process that BenchmarkAbuse starts, so that
// what abusing costs is not counted as the server's. It works until its input ends.
func TestAbuserProcess(t *testing.T) {
	base := os.Getenv("OHMKEEP_ABUSE")
	if base == "" {
		t.Skip("it is started by BenchmarkAbuse")
	}
	ctx, cancel := context.WithCancel(t.Context())
	a := &abuser{base: base, run: os.Getenv("OHMKEEP_ABUSE_RUN"), tokens: strings.Fields(os.Getenv("OHMKEEP_ABUSE_TOKENS")), ctx: ctx,
		client: &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 100}}, told: map[string]int{}}
	var all, first sync.WaitGroup
	all.Go(a.lookForRun)
	for kind, n := range abusers {
		for i := range n {
			first.Add(1)
			once := sync.OnceFunc(first.Done)
			all.Go(func() {
				defer once()
				for a.ctx.Err() == nil {
					a.once(kind, i, once)
				}
			})
		}
	}
	first.Wait()
	fmt.Print(abuserReady)
	_, _ = io.Copy(io.Discard, os.Stdin)
	cancel()
	all.Wait()
	fmt.Println(a)
}

func (a *abuser) String() string {
	a.mu.Lock()
	defer a.mu.Unlock()
	var out []string
	for what, n := range a.told {
		out = append(out, fmt.Sprintf("%d × %s", n, what))
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}

func (a *abuser) tell(what string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.told[what]++
}

// pause waits a moment, so that abusers that are refused do not take the processor
// from the server that they share it with.
func (a *abuser) pause() {
	select {
	case <-a.ctx.Done():
	case <-time.After(time.Second):
	}
}

// once abuses the server once; at is told when it has begun.
func (a *abuser) once(kind string, i int, at func()) {
	token := "Bearer " + a.tokens[i%len(a.tokens)]
	address := strings.TrimPrefix(a.base, "http://")
	head := func(method, path, more string) string {
		return method + " " + path + " HTTP/1.1\r\nHost: " + address + "\r\n" + more
	}
	switch kind {
	case "viewer":
		a.watch(i, token, at)
	case "unread socket":
		a.hang(kind, at, head("GET", []string{"/live", "/bench/strip/live"}[i%2], "Authorization: "+token+"\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n"+
			"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n"))
	case "half head":
		a.hang(kind, at, head("GET", "/", "X-Half: "+strings.Repeat("x", 3000)))
	case "half form":
		const whole = 4 << 20
		a.hang(kind, at, head("POST", "/sign-in", fmt.Sprintf("Content-Type: application/x-www-form-urlencoded\r\nContent-Length: %d\r\n\r\n", whole))+
			"key="+strings.Repeat("x", whole-1000))
	case "download":
		a.hang(kind, at, head("GET", "/runs/"+a.run+"/readings.csv", "Authorization: "+token+"\r\n\r\n"))
	case "guess":
		resp, err := a.client.PostForm(a.base+"/sign-in", url.Values{"key": {strings.Repeat("A", 43)}, "name": {"x"}})
		if err == nil {
			_, _ = io.Copy(io.Discard, resp.Body)
			resp.Body.Close()
			a.tell(fmt.Sprint("guess ", resp.StatusCode))
		}
		at()
	}
}

// hang sends bytes over a connection that holds little, and reads nothing until the
// server ends it.
func (a *abuser) hang(kind string, at func(), text string) {
	defer at()
	d := net.Dialer{Control: func(_, _ string, c syscall.RawConn) error {
		return c.Control(func(fd uintptr) { _ = syscall.SetsockoptInt(int(fd), syscall.SOL_SOCKET, syscall.SO_RCVBUF, 4<<10) })
	}}
	conn, err := d.DialContext(a.ctx, "tcp", strings.TrimPrefix(a.base, "http://"))
	if err != nil {
		a.pause()
		return
	}
	defer conn.Close()
	stop := context.AfterFunc(a.ctx, func() { conn.Close() })
	defer stop()
	_, err = io.WriteString(conn, text)
	a.tell(kind)
	at()
	if err != nil {
		a.pause() // refused
		return
	}
	// Nothing is read, so that the kernel alone knows whether the server has ended
	// it, and not even that where much was sent.
	raw, err := conn.(*net.TCPConn).SyscallConn()
	for s := 0; err == nil && s < hangMost && a.ctx.Err() == nil; s++ {
		a.pause()
		ended := false
		err = raw.Control(func(fd uintptr) {
			info, err := unix.GetsockoptTCPInfo(int(fd), unix.IPPROTO_TCP, unix.TCP_INFO)
			ended = err != nil || info.State != tcpEstablished
		})
		if ended {
			return
		}
	}
}

const (
	hangMost       = 40 // seconds, after which an abuser begins again
	tcpEstablished = 1  // of tcpi_state, include/net/tcp_states.h of Linux
)

// watch looks at a page until its socket ends.
func (a *abuser) watch(i int, token string, at func()) {
	path := []string{"/live", "/bench/strip/live", ""}[i%3]
	if path == "" {
		at()
		id := a.working.Load()
		if id == nil {
			a.pause()
			return
		}
		path = "/runs/" + *id + "/live"
	}
	conn, resp, err := websocket.DefaultDialer.DialContext(a.ctx, "ws"+strings.TrimPrefix(a.base, "http")+path, http.Header{"Authorization": {token}})
	if err != nil {
		if resp != nil {
			a.tell(fmt.Sprint("viewer ", resp.StatusCode))
		}
		at()
		a.pause()
		return
	}
	defer conn.Close()
	defer context.AfterFunc(a.ctx, func() { conn.Close() })()
	a.tell("viewer of " + []string{"home", "strip", "run"}[i%3])
	for {
		_, r, err := conn.NextReader()
		at()
		if err != nil {
			break
		}
		_, _ = io.Copy(io.Discard, r)
	}
	if i%3 == 2 {
		a.pause()
	}
}

// lookForRun looks which run is at work, so that viewers look at one that lasts.
func (a *abuser) lookForRun() {
	last := ""
	for a.ctx.Err() == nil {
		r, err := http.NewRequestWithContext(a.ctx, "GET", a.base+"/api/v1/benches/rehearsal", nil)
		if err != nil {
			return
		}
		r.Header.Set("Authorization", "Bearer "+a.tokens[0])
		var now struct{ Run string }
		if resp, err := a.client.Do(r); err == nil {
			_ = json.NewDecoder(resp.Body).Decode(&now)
			resp.Body.Close()
		}
		a.working.Store(nil)
		if now.Run != "" && now.Run == last {
			a.working.Store(&now.Run)
		}
		last = now.Run
		a.pause()
	}
}
