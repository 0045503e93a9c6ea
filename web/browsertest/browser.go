// Package browsertest drives Chromium for browser tests: one browser for each
// test binary, a tab of its own for each test. Nothing in it has a deadline: a
// wait lasts until what it waits for is there, so that a busy machine makes a
// test slow and never makes it fail.
package browsertest

import (
	"context"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// chromiums are where Debian installs the browser. The headless shell has the
// same engine without the windows round it, which nobody sees here: a test of
// pages costs it less than half of the processor time.
var chromiums = [...]string{"/usr/bin/chromium-headless-shell", "/usr/bin/chromium"}

// startWait is how long chromedp waits for Chromium to begin. It asks for a
// duration and has 20 s by default; this is as good as none.
const startWait = 24 * time.Hour

// spareProcess is the feature by which Chromium starts a process for the page
// that may come next: a sixth of what a test of many pages costs.
const spareProcess = "SpareRendererForSitePerProcess"

// browser is the one Chromium of this test binary.
var browser struct {
	once   sync.Once
	ctx    context.Context
	cancel []context.CancelFunc
	err    error
}

// start starts Chromium at the first call and returns its context.
func start(t testing.TB) context.Context {
	t.Helper()
	chromium := need(t)
	browser.once.Do(func() {
		opts := append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]),
			chromedp.ExecPath(chromium), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.WSURLReadTimeout(startWait),
			chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
			chromedp.Flag("disable-features", "Translate,BlinkGenPropertyTrees,"+spareProcess))
		alloc, cancelAlloc := chromedp.NewExecAllocator(context.Background(), opts...)
		ctx, cancel := chromedp.NewContext(alloc)
		browser.ctx, browser.cancel = ctx, []context.CancelFunc{cancelAlloc, cancel}
		browser.err = chromedp.Do(ctx)
	})
	if browser.err != nil {
		t.Fatalf("chromium does not start: %v", browser.err)
	}
	return browser.ctx
}

// Stop ends the browser, if a test has started it. TestMain calls it after the
// tests.
func Stop() {
	for _, c := range slices.Backward(browser.cancel) {
		c()
	}
}

// need returns the path of Chromium. It skips a test where none is installed,
// or fails it in CI, where a skip would read as a pass.
func need(t testing.TB) string {
	t.Helper()
	for _, path := range chromiums {
		if _, err := os.Stat(path); err == nil {
			return path
		}
	}
	const missing = "Chromium is missing: apt-get install -y chromium-headless-shell (or chromium)"
	if os.Getenv("CI") != "" {
		t.Fatal(missing)
	}
	t.Skip(missing)
	return ""
}
