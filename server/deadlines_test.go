package main

import (
	"go/ast"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// limits are the calls that make a test depend on how fast the machine is, by
// package and name.
var limits = map[string][]string{
	"time":     {"Sleep", "After", "AfterFunc", "Tick", "NewTimer"},
	"context":  {"WithTimeout", "WithTimeoutCause", "WithDeadline", "WithDeadlineCause"},
	"net":      {"DialTimeout"},
	"chromedp": {"WithPollingTimeout", "WSURLReadTimeout"},
	"":         {"SetDeadline", "SetReadDeadline", "SetWriteDeadline"}, // of any connection
}

// excused are the functions, or variables that hold functions, that may wait for
// a time outside a bubble, each with the reason why a busy machine fails no test
// by it.
var excused = map[string]string{
	"server/card/chaos_test.go:chaos.call":              calledInBubble,
	"server/card/chaos_test.go:chaos.safe":              calledInBubble,
	"server/card/conformance/wrong_test.go:wrongInTime": calledInBubble,
	"server/card/emulator/faults_test.go:faultTests":    calledInBubble,
	"server/card/emulator/faults_test.go:talker.gather": calledInBubble,
	"server/card/fake_test.go:fakeCard.bite":            calledInBubble,
	"server/card/fake_test.go:fakeCard.message":         calledInBubble,
	"server/card/fake_units_test.go:late":               calledInBubble,
	"server/card/fault_test.go:TestReadingFaults":       calledInBubble,
	"server/card/wire/bad_test.go:badCards":             calledInBubble,
	"server/card/wire/bad_test.go:reboots":              calledInBubble,
	"server/card/wire/property_test.go:moody.do":        calledInBubble,
	"server/routes/reports_test.go:stuckClient.Write":   calledInBubble,
	"server/run/witness_test.go:witness.Append":         calledInBubble,
	"server/card/firmware/rig_test.go:rig.idle":         "it waits for what must not happen: a slow machine lets less of it happen",
	"server/abuse_bench_linux_test.go:abuser.pause":     "it is in the process that BenchmarkAbuse starts, which fails nothing",
	"server/process_test.go:process.settled":            "it waits on until the memory of a process has stood still for a second",
	"web/browsertest/browser.go:start":                  "chromedp has a limit of its own, which this puts off by a day",
}

// calledInBubble excuses what stands in for a card or a client, made outside the
// bubble in which it is called.
const calledInBubble = "it is called in the bubble of the test that made it"

// TestNoTestHasADeadline: no test waits for the machine's time. What runs in
// bubbles of virtual time alone may, and a benchmark; every other function
// stands in excused with its reason. On a busy machine such a call fails what
// is right.
func TestNoTestHasADeadline(t *testing.T) {
	files := map[string][]string{} // by directory
	n := 0
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && isTestFile(path) {
			files[filepath.Dir(path)] = append(files[filepath.Dir(path)], path)
			n++
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if n < 100 {
		t.Errorf("only %d test files were looked at", n)
	}
	used := map[string]bool{}
	for _, paths := range files {
		s, err := readTests(paths...)
		if err != nil {
			t.Fatal(err)
		}
		for _, found := range s.waiting() {
			used[found.function] = true
			if excused[found.function] == "" {
				t.Errorf("%s: %s waits for a time outside a bubble", found.at, found.function)
			}
		}
	}
	for name := range excused {
		if !used[name] {
			t.Errorf("%s is excused and waits for nothing", name)
		}
	}
}

// isTestFile reports that a file holds tests, or what only tests use.
func isTestFile(path string) bool {
	dir := filepath.Base(filepath.Dir(path))
	return strings.HasSuffix(path, "_test.go") || strings.HasSuffix(path, ".go") && (dir == "browsertest" || dir == "storetest")
}

// waitsAt is a place that waits for the machine's time.
type waitsAt struct{ at, function string }

// waiting are the places that wait for a time in functions that do not run in
// bubbles alone.
func (s *testSources) waiting() (out []waitsAt) {
	for _, c := range s.calls {
		at := s.set.Position(c.expr.Pos())
		if c.in != nil && (c.in.virtual || c.in.bench) || strings.HasSuffix(at.Filename, "_bench_test.go") {
			continue // a benchmark may take its time
		}
		if !isLimit(c.expr) && !s.isTooLong(c) {
			continue
		}
		name := ""
		if c.in != nil {
			name = c.in.top
		}
		out = append(out, waitsAt{at.String(), strings.TrimPrefix(filepath.ToSlash(at.Filename), "../") + ":" + name})
	}
	return out
}

// isLimit reports whether an expression is a call of one of limits. A polling
// timeout of 0 is none.
func isLimit(e ast.Expr) bool {
	n, ok := e.(*ast.CallExpr)
	if !ok {
		return false
	}
	s, ok := n.Fun.(*ast.SelectorExpr)
	if !ok {
		return false
	}
	of, _ := s.X.(*ast.Ident)
	if s.Sel.Name == "WithPollingTimeout" && len(n.Args) == 1 {
		zero, ok := n.Args[0].(*ast.BasicLit)
		return !ok || zero.Value != "0"
	}
	if isCallOf(s.X, "time", "Now") && (s.Sel.Name == "After" || s.Sel.Name == "Before") {
		return true // a limit that a loop looks at
	}
	for pkg, names := range limits {
		if slices.Contains(names, s.Sel.Name) && (pkg == "" && (of == nil || of.Name != "context") || of != nil && of.Name == pkg) {
			return true
		}
	}
	return false
}

// isTooLong reports whether an expression asks for a time that took longer than
// something: what fails where the machine is slow. At least so long is no limit.
func (s *testSources) isTooLong(c call) bool {
	b, ok := c.expr.(*ast.BinaryExpr)
	if !ok {
		return false
	}
	isElapsed := func(e ast.Expr) bool {
		id, ok := e.(*ast.Ident)
		return isCallOf(e, "time", "Since") || ok && c.in != nil && s.elapsed[elapsedIn{c.in.top, id.Name}]
	}
	switch b.Op {
	case token.GTR, token.GEQ, token.NEQ:
		return isElapsed(b.X)
	case token.LSS, token.LEQ:
		return isElapsed(b.Y)
	}
	return false
}

// isCallOf reports whether an expression calls a function of a package.
func isCallOf(e ast.Expr, pkg, name string) bool {
	n, ok := e.(*ast.CallExpr)
	if !ok {
		return false
	}
	return isSelector(n.Fun, pkg, name)
}

// isSelector reports whether an expression is the name of a package's member.
func isSelector(e ast.Expr, pkg, name string) bool {
	s, ok := e.(*ast.SelectorExpr)
	if !ok {
		return false
	}
	x, ok := s.X.(*ast.Ident)
	return ok && x.Name == pkg && s.Sel.Name == name
}

// What the test of tests finds, in a file of its own making.
func TestWaitingOutsideBubbles(t *testing.T) {
	const text = `package x
func TestInBubble(t *testing.T) { synctest.Test(t, func(t *testing.T) { time.Sleep(1); helper() }) }
func TestNamed(t *testing.T) { synctest.Test(t, named) }
func named(t *testing.T) { <-time.After(1) }
func helper() { time.NewTimer(1) }
func alone(t *testing.T, f func(*testing.T)) { t.Helper(); synctest.Test(t, f) }
func TestWrapped(t *testing.T) { alone(t, func(t *testing.T) { both(); late := func() { time.Sleep(1) }; late() }) }
func both() { time.Sleep(1) } // BAD
func TestOutside(t *testing.T) {
	both()
	ctx, cancel := context.WithTimeoutCause(t.Context(), 1, nil) // BAD
	conn.SetReadDeadline(x) // BAD
	if time.Since(begun) > limit { } // BAD
	if time.Since(begun) < limit { }
	took := time.Since(begun)
	if took >= limit || least < took { } // BAD
	chromedp.Poll(chromedp.WithPollingTimeout(0))
	chromedp.Poll(chromedp.WithPollingTimeout(5)) // BAD
	for !time.Now().After(end) { } // BAD
}
func (r *rig) wait() { time.NewTimer(1) } // BAD
func unused() { time.AfterFunc(1, f) } // BAD
func BenchmarkX(b *testing.B) { time.Sleep(1) }
`
	path := filepath.Join(t.TempDir(), "x_test.go")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := readTests(path)
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]bool{}
	for _, w := range s.waiting() {
		_, line, _ := strings.Cut(strings.TrimPrefix(w.at, path), ":")
		line, _, _ = strings.Cut(line, ":")
		found[line] = true
		if strings.HasSuffix(w.at, ":22:24") && !strings.HasSuffix(w.function, "x_test.go:rig.wait") {
			t.Errorf("%+v", w)
		}
	}
	for i, line := range strings.Split(text, "\n") {
		if bad := strings.Contains(line, "// BAD"); bad != found[strconv.Itoa(i+1)] {
			t.Errorf("found %v: %s", found[strconv.Itoa(i+1)], line)
		}
	}
}
