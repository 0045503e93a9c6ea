package main

import (
	"flag"
	"os"
	"testing"

	"ohmkeep/web/browsertest"
)

// atOnce is how many tests of this package go on at once: they wait for
// browsers, for processes and for runs in real time more than they compute.
const atOnce = "4"

func TestMain(m *testing.M) {
	if err := flag.Set("test.parallel", atOnce); err != nil { // the command line comes after and wins
		panic(err)
	}
	code := m.Run()
	browsertest.Stop()
	if builtIn != "" {
		_ = os.RemoveAll(builtIn) // of the tests that run the program as a process
	}
	os.Exit(code)
}

// tab is an open page, and what the tests of this program do on it.
type tab struct{ *browsertest.Tab }

// newTab opens a tab with cookies of its own.
func newTab(t testing.TB) *tab {
	t.Helper()
	if testing.Short() {
		t.Skip("browser tests are not short; go test without -short runs them")
	}
	return &tab{browsertest.New(t)}
}

// second is another tab of the same browser: signed in as the first one is.
func (b *tab) second() *tab {
	b.T.Helper()
	return &tab{b.Second()}
}

// evaluate is the value of an expression in the page.
func evaluate[T any](b *tab, expression string) T {
	b.T.Helper()
	return browsertest.Evaluate[T](b.Tab, expression)
}

// await is the value that a promise in the page comes to.
func await[T any](b *tab, promise string) T {
	b.T.Helper()
	return browsertest.Await[T](b.Tab, promise)
}
