package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

const chromium = "/usr/bin/chromium"

// browser is the one Chromium of this package's tests.
var browser struct {
	once   sync.Once
	ctx    context.Context
	cancel []context.CancelFunc
	err    error
}

func TestMain(m *testing.M) {
	code := m.Run()
	for _, c := range slices.Backward(browser.cancel) {
		c()
	}
	if builtIn != "" {
		_ = os.RemoveAll(builtIn) // of the tests that run the program as a process
	}
	os.Exit(code)
}

// tab is one open page. Anything that the page writes to the console as an
// error or a warning fails the test.
type tab struct {
	t       *testing.T
	ctx     context.Context
	mu      sync.Mutex
	allowed []string // parts of console messages that are expected
}

func newTab(t *testing.T) *tab {
	t.Helper()
	if testing.Short() {
		t.Skip("browser tests are not short; go test without -short runs them")
	}
	needTool(t, chromium, "apt-get install -y chromium")
	browser.once.Do(func() {
		opts := append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]),
			chromedp.ExecPath(chromium), chromedp.NoSandbox, chromedp.DisableGPU,
			chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
		alloc, cancelAlloc := chromedp.NewExecAllocator(context.Background(), opts...)
		ctx, cancel := chromedp.NewContext(alloc)
		browser.ctx, browser.cancel = ctx, []context.CancelFunc{cancelAlloc, cancel}
		browser.err = chromedp.Do(ctx)
	})
	if browser.err != nil {
		t.Fatalf("chromium does not start: %v", browser.err)
	}
	ctx, cancel := chromedp.NewContext(browser.ctx, chromedp.WithNewBrowserContext())
	return listen(t, ctx, cancel)
}

// second is another tab of the same browser: signed in as the first one is.
func (b *tab) second() *tab {
	b.t.Helper()
	ctx, cancel := chromedp.NewContext(b.ctx)
	return listen(b.t, ctx, cancel)
}

func listen(t *testing.T, ctx context.Context, cancel context.CancelFunc) *tab {
	t.Helper()
	ctx, cancelTime := context.WithTimeout(ctx, 3*time.Minute)
	b := &tab{t: t, ctx: ctx}
	t.Cleanup(func() { cancelTime(); cancel() })
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1280, 900)); err != nil {
		t.Fatal(err)
	}
	messages := chromedp.Console(ctx)
	go func() {
		for m, err := range messages {
			if err != nil {
				return
			}
			b.heard(m)
		}
	}()
	return b
}

func (b *tab) heard(m chromedp.ConsoleMessage) {
	switch m.Type {
	case chromedp.ConsoleError, chromedp.ConsoleWarning, chromedp.ConsoleException:
	default:
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, part := range b.allowed {
		if strings.Contains(m.Text, part) {
			return
		}
	}
	b.t.Errorf("console: %s %s (%s:%d)", m.Type, m.Text, m.URL, m.Line)
}

// allow names part of a console message that the test provokes on purpose.
func (b *tab) allow(part string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.allowed = append(b.allowed, part)
}

func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	for _, s := range steps {
		if err := chromedp.Do(b.ctx, s); err != nil {
			where, _ := chromedp.Run(b.ctx, chromedp.Location())
			b.shot("failed-" + strings.ReplaceAll(b.t.Name(), "/", "-"))
			b.t.Fatalf("at %s: %v", where, err)
		}
	}
}

func (b *tab) open(address string) { b.t.Helper(); b.do(chromedp.Navigate(address)) }

// click presses the mouse on an element. A live page may replace the element
// between finding it and pressing; then it is looked for again.
func (b *tab) click(selector string) {
	b.t.Helper()
	for range 10 {
		err := chromedp.Do(b.ctx, chromedp.WaitVisible(selector), chromedp.Click(selector))
		if err == nil {
			return
		}
		if !strings.Contains(err.Error(), "Could not find node") {
			b.t.Fatalf("clicking %s: %v", selector, err)
		}
	}
	b.t.Fatalf("%s is replaced faster than it can be clicked", selector)
}

// submit clicks and waits for the page that follows.
func (b *tab) submit(selector string) {
	b.t.Helper()
	b.do(chromedp.WaitVisible(selector))
	if _, err := chromedp.RunResponse(b.ctx, chromedp.Click(selector)); err != nil {
		b.shot("failed-" + b.t.Name())
		b.t.Fatalf("after %s: %v", selector, err)
	}
}

func (b *tab) fill(selector, text string) {
	b.t.Helper()
	if text == "" {
		b.do(chromedp.WaitVisible(selector), chromedp.Clear(selector))
		return
	}
	b.do(chromedp.WaitVisible(selector), chromedp.SetValue(selector, text))
}

func (b *tab) text(selector string) string {
	b.t.Helper()
	s, err := chromedp.Run(b.ctx, chromedp.TextContent(selector))
	if err != nil {
		b.t.Fatalf("text of %s: %v", selector, err)
	}
	return strings.Join(strings.Fields(s), " ")
}

func (b *tab) address() string {
	b.t.Helper()
	s, err := chromedp.Run(b.ctx, chromedp.Location())
	if err != nil {
		b.t.Fatal(err)
	}
	return s
}

// until waits for a condition in the page.
func (b *tab) until(condition string) {
	b.t.Helper()
	_, err := chromedp.Run(b.ctx, chromedp.Poll[bool]("Boolean("+condition+")", chromedp.WithPollingTimeout(90*time.Second)))
	if err != nil {
		b.shot("failed-" + strings.ReplaceAll(b.t.Name(), "/", "-"))
		b.t.Fatalf("waiting for %s: %v", condition, err)
	}
}

func evaluate[T any](b *tab, expression string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

func (b *tab) size(width, height int64) { b.t.Helper(); b.do(chromedp.EmulateViewport(width, height)) }

func (b *tab) dark(on bool) {
	b.t.Helper()
	scheme := "light"
	if on {
		scheme = "dark"
	}
	b.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
		})
		return err
	}))
}

// window writes a picture of what the window shows into the directory that
// OHMKEEP_SHOTS names.
func (b *tab) window(name string) { b.picture(name, chromedp.CaptureScreenshot()) }

// shot writes a picture of the page into the directory that OHMKEEP_SHOTS
// names, for a person to look at.
func (b *tab) shot(name string) { b.picture(name, chromedp.FullScreenshot(100)) }

func (b *tab) picture(name string, take chromedp.Action[[]byte]) {
	dir := os.Getenv("OHMKEEP_SHOTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(b.ctx, take)
	if err != nil {
		b.t.Logf("no picture of %s: %v", name, err)
		return
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644); err != nil {
		b.t.Log(err)
	}
}

// fits checks that the page does not have to be scrolled sideways.
func (b *tab) fits(what string) {
	b.t.Helper()
	over := evaluate[float64](b, "document.documentElement.scrollWidth - document.documentElement.clientWidth")
	if over > 0 {
		wide := evaluate[string](b, `[...document.querySelectorAll("main *, header *, footer *")].filter(e =>
			e.getBoundingClientRect().right > document.documentElement.clientWidth + 0.5 && !e.closest("[data-scroll], .table-frame, .package-frame")).slice(0, 3)
			.map(e => e.tagName + "." + (e.getAttribute("class") || "") + "#" + e.id).join(", ")`)
		b.t.Errorf("%s is %s px wider than the window: %s", what, fmt.Sprint(over), wide)
	}
}
