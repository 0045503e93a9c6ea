package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// binary builds the program once for all tests that run it as a process of its
// own, and returns the path of it and of the directory to remove.
var binary = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "ohmkeep-binary-")
	if err != nil {
		return "", err
	}
	builtIn = dir
	path := filepath.Join(dir, "ohmkeep")
	out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("go build: %w\n%s", err, out)
	}
	return path, nil
})

// builtIn is the directory of the binary, for TestMain to remove.
var builtIn string

func binaryPath(t testing.TB) string {
	t.Helper()
	path, err := binary()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// process is the program at work outside this process.
type process struct {
	t     testing.TB
	cmd   *exec.Cmd
	base  string // http://127.0.0.1:port
	key   string
	dir   string
	begun time.Time
	ended chan struct{} // closed when it has ended

	mu     sync.Mutex
	stderr bytes.Buffer
}

// startProcess starts the binary on a free port with its data in dir, and
// returns when it has printed its link.
func startProcess(t testing.TB, dir string, flags ...string) *process {
	t.Helper()
	return startProcessIn(t, nil, dir, flags...)
}

// startProcessIn is startProcess with variables of the environment beside those of
// the test.
func startProcessIn(t testing.TB, environ []string, dir string, flags ...string) *process {
	t.Helper()
	path := binaryPath(t)
	p := &process{t: t, dir: dir, ended: make(chan struct{})}
	p.cmd = exec.Command(path, append([]string{"-data", dir, "-listen", "127.0.0.1:0"}, flags...)...)
	p.cmd.Env = append(os.Environ(), environ...)
	p.cmd.Stderr = locked{p}
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	p.begun = time.Now()
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.kill() })
	link := make(chan []string, 1)
	go func() {
		defer close(p.ended)
		for in := bufio.NewScanner(out); in.Scan(); {
			if m := regexp.MustCompile(`(http://[^/]+)/sign-in\?key=(\S+)`).FindStringSubmatch(in.Text()); m != nil {
				link <- m
			}
		}
		_ = p.cmd.Wait() // its state is asked for
	}()
	select {
	case m := <-link:
		p.base, p.key = m[1], m[2]
	case <-p.ended:
		t.Fatalf("the program ended before it was ready: %v\n%s", p.cmd.ProcessState, p.errors())
	}
	return p
}

// locked is where a process writes its logs.
type locked struct{ p *process }

func (w locked) Write(b []byte) (int, error) {
	w.p.mu.Lock()
	defer w.p.mu.Unlock()
	return w.p.stderr.Write(b)
}

func (p *process) errors() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.stderr.String()
}

// kill ends the process as a power cut would, and waits for its end.
func (p *process) kill() {
	_ = p.cmd.Process.Kill() // it may have ended already
	<-p.ended
}

// terminate asks the process to stop in order and returns its exit status.
func (p *process) terminate() int {
	p.t.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		p.t.Fatal(err)
	}
	<-p.ended
	return p.cmd.ProcessState.ExitCode()
}

// until calls f every few milliseconds until it is true: for what another
// process comes to by itself.
func until(f func() bool) {
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !f() {
		<-tick.C
	}
}

// status is a figure from the kernel's status of the process, in bytes.
// Linux's proc(5): VmRSS is the resident set now, VmHWM its peak.
func (p *process) status(field string) int64 {
	p.t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.cmd.Process.Pid))
	if err != nil {
		p.t.Skipf("no status of a process here: %v", err)
	}
	m := regexp.MustCompile(`(?m)^` + field + `:\s+(\d+) kB$`).FindSubmatch(text)
	if m == nil {
		p.t.Fatalf("no %s in\n%s", field, text)
	}
	kB, err := strconv.ParseInt(string(m[1]), 10, 64)
	if err != nil {
		p.t.Fatal(err)
	}
	return kB << 10
}

// token makes an API token with the subcommand.
func (p *process) token(role string) *apiClient {
	p.t.Helper()
	out, err := exec.Command(binaryPath(p.t), "token", "-data", p.dir, "-role", role, "-name", "Figures, "+role).Output()
	if err != nil {
		p.t.Fatalf("token: %v", err)
	}
	lines := strings.Split(strings.TrimSuffix(string(out), "\n"), "\n")
	return &apiClient{t: p.t, base: p.base, token: lines[len(lines)-1], http: http.DefaultClient}
}

// apiClient speaks to the API with a token.
type apiClient struct {
	t           testing.TB
	base, token string
	http        *http.Client
	faults      []string // of the server, where a test goes on in spite of them
}

// try sends a request and returns the status and the body.
func (c *apiClient) try(method, path string, body any) (int, []byte, error) {
	return c.tryRevision(method, path, body, 0)
}

// tryRevision sends a request as try does, which starts from a revision; 0: from none.
func (c *apiClient) tryRevision(method, path string, body any, rev int) (int, []byte, error) {
	var in io.Reader
	if body != nil {
		text, err := json.Marshal(body)
		if err != nil {
			return 0, nil, err
		}
		in = bytes.NewReader(text)
	}
	r, err := http.NewRequest(method, c.base+"/api/v1"+path, in)
	if err != nil {
		return 0, nil, err
	}
	r.Header.Set("Authorization", "Bearer "+c.token)
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	if rev > 0 {
		r.Header.Set("If-Match", strconv.Quote(strconv.Itoa(rev)))
	}
	resp, err := c.http.Do(r)
	if err != nil {
		return 0, nil, err
	}
	defer resp.Body.Close()
	out, err := io.ReadAll(resp.Body)
	return resp.StatusCode, out, err
}

// do sends a request that must succeed and decodes the answer into out.
func (c *apiClient) do(method, path string, body, out any) {
	c.t.Helper()
	status, text, err := c.try(method, path, body)
	if err != nil || status >= 300 {
		c.t.Fatalf("%s %s: %d %v %s", method, path, status, err, text)
	}
	if out == nil {
		return
	}
	if err := json.Unmarshal(text, out); err != nil {
		c.t.Fatalf("%s %s: %v", method, path, err)
	}
}

// start seats a unit and starts a procedure on it.
func (c *apiClient) start(device, procedure string) string {
	c.t.Helper()
	var started struct{ ID string }
	c.do("POST", "/runs", map[string]any{
		"device": device, "procedure": procedure, "serial": "F-1", "seat": true, "acknowledge": c.warnings(procedure),
	}, &started)
	return started.ID
}

// warnings are those of a procedure's check before power, by name: these tests
// measure as fast as they can.
func (c *apiClient) warnings(procedure string) []string {
	c.t.Helper()
	var check struct {
		Findings []struct{ Severity, Name string }
	}
	c.do("GET", "/procedures/"+procedure+"/check", nil, &check)
	names := []string{}
	for _, f := range check.Findings {
		if f.Severity == "warning" {
			names = append(names, f.Name)
		}
	}
	return names
}

// page fetches a page, which a token may as well.
func (c *apiClient) page(path string) string {
	c.t.Helper()
	r, err := http.NewRequest("GET", c.base+path, nil)
	if err != nil {
		c.t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+c.token)
	resp, err := c.http.Do(r)
	if err != nil {
		c.t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		c.t.Fatalf("%s: %s %v", path, resp.Status, err)
	}
	return string(body)
}
