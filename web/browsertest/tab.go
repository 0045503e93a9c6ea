package browsertest

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// Tab is one open page. Anything that the page writes to the console as an
// error or a warning fails the test, violations of the content policy among
// it.
type Tab struct {
	T   testing.TB
	Ctx context.Context // for chromedp's own actions

	mu      sync.Mutex
	allowed []string // parts of console messages that are expected
	over    bool     // the test has ended and hears nothing more
}

// New opens an empty tab with cookies of its own, as in a browser that has
// never been at the program.
func New(t testing.TB) *Tab {
	t.Helper()
	ctx, cancel := chromedp.NewContext(start(t), chromedp.WithNewBrowserContext())
	return listen(t, ctx, cancel)
}

// Second opens another tab of the same browser: signed in as the first one is.
func (b *Tab) Second() *Tab {
	b.T.Helper()
	ctx, cancel := chromedp.NewContext(b.Ctx)
	return listen(b.T, ctx, cancel)
}

// listen makes a tab of a context and begins to hear its console.
func listen(t testing.TB, ctx context.Context, cancel context.CancelFunc) *Tab {
	t.Helper()
	b := &Tab{T: t, Ctx: ctx}
	t.Cleanup(func() {
		b.mu.Lock()
		b.over = true
		b.mu.Unlock()
		cancel()
	})
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

// heard takes in a message of the page's console.
func (b *Tab) heard(m chromedp.ConsoleMessage) {
	switch m.Type {
	case chromedp.ConsoleError, chromedp.ConsoleWarning, chromedp.ConsoleException:
	default:
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.over {
		return
	}
	for _, part := range b.allowed {
		if strings.Contains(m.Text, part) {
			return
		}
	}
	b.T.Errorf("console: %s %s (%s:%d)", m.Type, m.Text, m.URL, m.Line)
}

// Allow names part of a console message that the test provokes on purpose.
func (b *Tab) Allow(part string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.allowed = append(b.allowed, part)
}

// Do carries out steps that must succeed.
func (b *Tab) Do(steps ...chromedp.Action[chromedp.Void]) {
	b.T.Helper()
	for _, s := range steps {
		if err := chromedp.Do(b.Ctx, s); err != nil {
			b.fail(err)
		}
	}
}

// fail ends the test at the page where it stands, with a picture of it.
func (b *Tab) fail(err error) {
	b.T.Helper()
	where, _ := chromedp.Run(b.Ctx, chromedp.Location()) // as far as there is one
	b.Shot("failed-" + strings.ReplaceAll(b.T.Name(), "/", "-"))
	b.T.Fatalf("at %s: %v", where, err)
}

// Open goes to an address and waits until the page has loaded.
func (b *Tab) Open(address string) { b.T.Helper(); b.Do(chromedp.Navigate(address)) }

// Click presses the mouse on an element. A live page may replace or move the
// element between finding it and pressing; then it is looked for again.
func (b *Tab) Click(selector string) {
	b.T.Helper()
	b.until(selector, func() error { return chromedp.Do(b.Ctx, press(selector)) })
}

// Submit clicks and waits for the page that follows.
func (b *Tab) Submit(selector string) {
	b.T.Helper()
	b.until(selector, func() error {
		_, err := chromedp.RunResponse(b.Ctx, press(selector))
		return err
	})
}

// until clicks until the click has come to the element.
func (b *Tab) until(selector string, click func() error) {
	b.T.Helper()
	for {
		err := chromedp.Do(b.Ctx, chromedp.WaitVisible(selector))
		if err == nil {
			err = click()
		}
		if err == nil {
			return
		}
		if !errors.Is(err, errMissed) && !replaced(err) {
			b.fail(fmt.Errorf("clicking %s: %w", selector, err))
		}
	}
}

// errMissed is a click that came to something else: the element had moved.
var errMissed = errors.New("the click came to something else")

// press presses the mouse on an element, and returns errMissed where the page
// is still there and has seen no click on it.
func press(selector string) chromedp.Action[chromedp.Void] {
	listen := fmt.Sprintf(`(() => { window.clickCame = false; document.addEventListener("click", (e) => { window.clickCame ||= e.target.closest(%q) !== null; }, {capture: true, once: true}); })()`, selector)
	return func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		if _, err := chromedp.Evaluate[chromedp.Void](listen)(ctx, t); err != nil {
			return chromedp.Void{}, err
		}
		if v, err := chromedp.Click(selector)(ctx, t); err != nil {
			return v, err
		}
		came, err := chromedp.Evaluate[bool](`window.clickCame !== false`)(ctx, t)
		switch {
		case err != nil && replaced(err): // the next page is there already
			return chromedp.Void{}, nil
		case err == nil && !came:
			return chromedp.Void{}, errMissed
		}
		return chromedp.Void{}, err
	}
}

// Fill puts text into a field, or empties it.
func (b *Tab) Fill(selector, text string) {
	b.T.Helper()
	if text == "" {
		b.Do(chromedp.WaitVisible(selector), chromedp.Clear(selector))
		return
	}
	b.Do(chromedp.WaitVisible(selector), chromedp.SetValue(selector, text))
}

// Text is the text of an element, with single spaces.
func (b *Tab) Text(selector string) string {
	b.T.Helper()
	element := fmt.Sprintf("document.querySelector(%q)", selector)
	for {
		b.Until(element)
		// In one step: a live page may replace the element after it was found.
		s, err := chromedp.Run(b.Ctx, chromedp.Evaluate[*string](element+"?.textContent ?? null"))
		switch {
		case err == nil && s != nil:
			return strings.Join(strings.Fields(*s), " ")
		case err != nil && !replaced(err):
			b.fail(fmt.Errorf("text of %s: %w", selector, err))
		}
	}
}

// Address is where the tab stands.
func (b *Tab) Address() string {
	b.T.Helper()
	s, err := chromedp.Run(b.Ctx, chromedp.Location())
	if err != nil {
		b.fail(err)
	}
	return s
}

// look is how often a condition is looked at. A timer is independent of
// drawing: a tab that nobody sees is asked for no frames.
const look = 20 * time.Millisecond

// Until waits for a condition in the page, however long that takes. Where
// another page takes the place of the one that is looked at, it is looked at
// next.
func (b *Tab) Until(condition string) {
	b.T.Helper()
	for {
		_, err := chromedp.Run(b.Ctx, chromedp.Poll[bool]("Boolean("+condition+")",
			chromedp.WithPollingInterval(look), chromedp.WithPollingTimeout(0)))
		switch {
		case err == nil:
			return
		case !replaced(err):
			b.fail(fmt.Errorf("waiting for %s: %w", condition, err))
		}
	}
}

// replaced reports that the page, or the element, went away while something was
// asked of it, in the browser's own words.
func replaced(err error) bool {
	for _, words := range []string{"Cannot find context", "context was destroyed", "navigated or closed", "Could not find node", "No node with given id"} {
		if strings.Contains(err.Error(), words) {
			return true
		}
	}
	return false
}

// Evaluate is the value of an expression in the page.
func Evaluate[T any](b *Tab, expression string) T {
	b.T.Helper()
	return evaluate[T](b, expression)
}

// Await is the value that a promise in the page comes to.
func Await[T any](b *Tab, promise string) T {
	b.T.Helper()
	return evaluate[T](b, promise, chromedp.EvalAwaitPromise)
}

func evaluate[T any](b *Tab, expression string, options ...chromedp.EvaluateOption) T {
	b.T.Helper()
	v, err := chromedp.Run(b.Ctx, chromedp.Evaluate[T](expression, options...))
	if err != nil {
		b.fail(errors.Join(errors.New(expression), err))
	}
	return v
}

// Size sets the window's size in CSS pixels.
func (b *Tab) Size(width, height int64) { b.T.Helper(); b.Do(chromedp.EmulateViewport(width, height)) }

// Dark shows pages as for a system that is set to dark, or to light again.
func (b *Tab) Dark(on bool) {
	b.T.Helper()
	scheme := "light"
	if on {
		scheme = "dark"
	}
	b.media(emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
}

// Medium shows pages as for "print", or ("") for the screen again.
func (b *Tab) Medium(name string) {
	b.T.Helper()
	b.media(emulation.SetEmulatedMediaParams{Media: name})
}

// Cookie has the browser send a cookie to an address, as if a page had set it: signing
// in by it costs no page.
func (b *Tab) Cookie(address, name, value string) {
	b.T.Helper()
	p := network.SetCookieParams{Name: name, Value: value, URL: address}
	b.Do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, network.SetCookie, p)
		return err
	}))
}

func (b *Tab) media(p emulation.SetEmulatedMediaParams) {
	b.T.Helper()
	b.Do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, p)
		return err
	}))
}
