package web

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"sync"
	"testing"
	"time"

	"github.com/a-h/templ"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/gorilla/websocket"

	"ohmkeep/assets"
	"ohmkeep/web/browsertest"
)

// site serves pages under the policy that the program sets, and the sockets
// that a test writes to.
type site struct {
	*httptest.Server
	sockets chan *socket
	mu      sync.Mutex
	posts   []string
}

type socket struct {
	conn  *websocket.Conn
	since string
}

func newSite(t *testing.T, pages map[string]templ.Component) *site {
	t.Helper()
	s := &site{sockets: make(chan *socket, 8)}
	mux := http.NewServeMux()
	mux.Handle("GET "+assets.Prefix, assets.Handler())
	for path, page := range pages {
		mux.HandleFunc("GET "+path, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'")
			w.Header().Set("Content-Type", "text/html; charset=utf-8")
			if err := page.Render(r.Context(), w); err != nil {
				t.Error(err)
			}
		})
	}
	mux.HandleFunc("GET /live", func(w http.ResponseWriter, r *http.Request) {
		up := websocket.Upgrader{}
		conn, err := up.Upgrade(w, r, nil)
		if err != nil {
			t.Error(err)
			return
		}
		s.sockets <- &socket{conn, r.URL.Query().Get("since")}
		for {
			if _, _, err := conn.NextReader(); err != nil {
				return
			}
		}
	})
	mux.HandleFunc("POST /", func(w http.ResponseWriter, r *http.Request) {
		s.mu.Lock()
		s.posts = append(s.posts, r.URL.Path)
		s.mu.Unlock()
		http.Redirect(w, r, "/", http.StatusSeeOther)
	})
	mux.HandleFunc("GET /understand", func(w http.ResponseWriter, r *http.Request) {
		_ = json.NewEncoder(w).Encode(map[string]string{"text": "understood " + r.URL.Query().Get("text") + " in " + r.URL.Query().Get("unit")})
	})
	s.Server = httptest.NewServer(mux)
	t.Cleanup(s.Close)
	return s
}

func (s *site) posted() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]string(nil), s.posts...)
}

// next waits for the page's next connection.
func (s *site) next() *socket {
	return <-s.sockets
}

func (k *socket) send(t *testing.T, seq uint64, parts map[string]templ.Component) {
	t.Helper()
	frame := map[string]any{"seq": seq}
	html := map[string]string{}
	for id, c := range parts {
		html[id] = render(t, c)
	}
	frame["parts"] = html
	if err := k.conn.WriteJSON(frame); err != nil {
		t.Fatal(err)
	}
}

// tab opens a page in a tab of its own. A socket that ends is heard of on the
// console, and is what many of these tests are about; a test names what else it
// provokes there.
func tab(t *testing.T, address string, allowed ...string) *browsertest.Tab {
	t.Helper()
	b := browsertest.New(t)
	for _, part := range append(allowed, "WebSocket") {
		b.Allow(part)
	}
	b.Open(address)
	return b
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// eval is the value of an expression in the page.
func eval[T any](b *browsertest.Tab, js string) T {
	b.T.Helper()
	return browsertest.Evaluate[T](b, js)
}

func liveRun() RunProps {
	p := sampleRun()
	p.Page.Live = "/live"
	return p
}

func TestBrowserKeepsPageUpToDate(t *testing.T) {
	t.Parallel()
	p := liveRun()
	s := newSite(t, map[string]templ.Component{"/": Run(p)})
	b := tab(t, s.URL)
	k := s.next()
	if k.since != "41" {
		t.Errorf("asked from %q", k.since)
	}
	b.Until(`document.body.dataset.ready === "live"`)
	if eval[bool](b, `document.getElementById("rerun").checkVisibility()`) {
		t.Error("a run at work can be run again")
	}

	// What the reader has opened, scrolled and focused stays.
	eval[bool](b, `(document.querySelector("#run-pin-list").open = true, document.getElementById("stop-run").focus(), true)`)
	p.Record.Readings, p.Plots = 99999, []Plot{watchPlot()}
	k.send(t, 42, map[string]templ.Component{PartRunStatus: RunStatus(p), PartRunPin(1): RunPin(p.Pins[0]), PartRunDrawn(1): p.drawing().Pin(p.Pins[0]), PartRunPlot: RunPlot(p)})
	b.Until(`document.body.dataset.seq === "42"`)
	for _, js := range []string{
		`document.getElementById("run-status").dataset.readings === "99999"`,
		`document.querySelector("#run-pin-list").open`,
		`document.activeElement.id === "stop-run"`,
		`document.querySelector("#plot-watch") !== null`,
	} {
		if !eval[bool](b, js) {
			t.Errorf("not so: %s", js)
		}
	}

	// The server drops the page: it comes back and asks from the last number.
	must(t, k.conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(websocket.CloseTryAgainLater, ""), time.Time{}))
	k.conn.Close()
	again := s.next()
	if again.since != "42" {
		t.Errorf("came back asking from %q", again.since)
	}
	// A line that is cut is said, and unsaid when it is back.
	again.conn.Close()
	b.Until(`document.getElementById("connection").textContent.includes("reconnecting")`)
	third := s.next()
	b.Until(`document.getElementById("connection").textContent === ""`)
	must(t, third.conn.WriteJSON(map[string]any{"seq": 43, "final": true}))
	must(t, third.conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(websocket.CloseNormalClosure, ""), time.Time{}))
	third.conn.Close()
	b.Until(`document.body.dataset.ready === "done"`)
	if !eval[bool](b, `document.getElementById("rerun").checkVisibility()`) {
		t.Error("the run has ended and cannot be run again")
	}
}

func TestBrowserKeepsChosenMeasurement(t *testing.T) {
	t.Parallel()
	p := liveRun()
	p.Follow, p.Selected, p.Plots = false, 1, []Plot{watchPlot()}
	s := newSite(t, map[string]templ.Component{"/": Run(p)})
	b := tab(t, s.URL)
	k := s.next()
	other := p
	other.Follow, other.Selected, other.Plots = true, 3, []Plot{diodePlot()}
	k.send(t, 50, map[string]templ.Component{PartRunPlot: RunPlot(other), PartRunLine(3): RunLine(other, 3)})
	b.Until(`document.body.dataset.seq === "50"`)
	if !eval[bool](b, `document.getElementById("run-plot").dataset.measurement === "1" && document.querySelector("#run-progress [aria-current]").dataset.measurement === "1"`) {
		t.Error("the page left the measurement that was chosen")
	}
	same := p
	same.Follow, same.Plots = true, []Plot{logPlot()}
	k.send(t, 51, map[string]templ.Component{PartRunPlot: RunPlot(same)})
	b.Until(`document.querySelector("#plot-log") !== null`)
	if eval[bool](b, `"follow" in document.getElementById("run-plot").dataset`) {
		t.Error("the page follows although a measurement was chosen")
	}
}

func TestBrowserStopsAtOnce(t *testing.T) {
	t.Parallel()
	s := newSite(t, map[string]templ.Component{"/": Run(liveRun())})
	b := tab(t, s.URL)
	s.next()
	b.Do(chromedp.Click("#stop-run"), chromedp.WaitReady(`body[data-acted="stop"]`), chromedp.Click("#make-safe"), chromedp.WaitReady(`body[data-acted="safe"]`))
	got := s.posted()
	if len(got) != 2 || got[0] != sampleRun().Base+"/stop" || got[1] != "/bench/safe" {
		t.Errorf("posted %q", got)
	}
	if at := eval[string](b, `location.pathname`); at != "/" {
		t.Errorf("the page went to %s", at)
	}
}

// The manual page can measure again as soon as its stream has ended.
func TestBrowserFreesFormWhenWorkEnds(t *testing.T) {
	t.Parallel()
	p := sampleManual()
	p.Page.Live, p.Busy, p.Form.Errors = "/live", "A run is at work on this bench.", nil
	s := newSite(t, map[string]templ.Component{"/": Manual(p)})
	b := tab(t, s.URL)
	k := s.next()
	if !eval[bool](b, `document.querySelector("[data-when-idle]").disabled`) {
		t.Fatal("the form can be sent while the bench is busy")
	}
	must(t, k.conn.WriteJSON(map[string]any{"seq": 1, "final": true}))
	b.Until(`!document.querySelector("[data-when-idle]").disabled && document.querySelector("[data-busy]") === null`)
}

func TestBrowserReadsAndZoomsPlots(t *testing.T) {
	t.Parallel()
	p := doneRun()
	p.Plots = []Plot{linePlot([]float64{0, 1, 2}, []float64{0, 1e-3, 2e-3})}
	p.ShareForm = Form{ID: "share"}
	s := newSite(t, map[string]templ.Component{"/": Run(p)})
	b := tab(t, s.URL)
	b.Until(`document.body.dataset.ready === "still" && document.querySelector("svg[data-plot]").tabIndex === 0`)
	b.Do(chromedp.Focus("svg[data-plot]"), chromedp.KeyEvent(kb.ArrowRight), chromedp.KeyEvent(kb.ArrowRight), chromedp.KeyEvent("+"))
	if got, want := eval[string](b, `document.querySelector("[data-readout]").textContent`), "Voltage 1.0000 V, Current 1.0000 mA"; got != want {
		t.Errorf("read-out %q, want %q", got, want)
	}
	if !eval[bool](b, `document.querySelector(".plot-data").hasAttribute("transform") && document.querySelector(".plot-tools button") !== null`) {
		t.Error("the plus key does not zoom")
	}
	eval[bool](b, `(document.querySelector(".plot-tools button").click(), true)`)
	if eval[bool](b, `document.querySelector(".plot-data").hasAttribute("transform")`) {
		t.Error("the button does not show the whole plot")
	}

	// A drag from the middle to the top right looks at that quarter.
	box := eval[[]float64](b, `(() => { const f = document.querySelector(".plot-frame"); f.scrollIntoView({ block: "center" }); const r = f.getBoundingClientRect(); return [r.left, r.top, r.right, r.bottom]; })()`)
	x, y := (box[0]+box[2])/2, (box[1]+box[3])/2
	b.Do(chromedp.MouseEvent(input.DispatchMouseEventTypeMousePressed, x, y, chromedp.ButtonLeft, chromedp.ClickCount(1)),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, box[2]-1, box[1]+1, chromedp.ButtonLeft),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseReleased, box[2]-1, box[1]+1, chromedp.ButtonLeft, chromedp.ClickCount(1)))
	b.Until(`document.querySelector(".plot-tools button") !== null`)
	if got := eval[string](b, `document.querySelector(".plot-ticks text").textContent`); got != "1.0 V" {
		t.Errorf("the first label of the quarter is %q", got)
	}
}

func TestBrowserPicksPins(t *testing.T) {
	t.Parallel()
	p := sampleManual()
	p.Page.Live = ""
	p.Form.Errors, p.Form.Values = nil, url.Values{"do": {"ohm"}, "pin": {""}, "against": {"0"}}
	s := newSite(t, map[string]templ.Component{"/": Manual(p)})
	b := tab(t, s.URL)
	b.Until(`document.body.dataset.ready === "still"`)
	b.Do(chromedp.Click("#manual-package-p5"), chromedp.Click("#manual-package-p7"))
	if got := eval[string](b, `[...new FormData(document.getElementById("manual-form"))].filter(([k]) => k === "pin" || k === "against").join(";")`); got != "pin,5;against,7" {
		t.Errorf("picked %q", got)
	}
	if got := eval[string](b, `document.getElementById("picked").textContent`); got != "pin 5 3A against pin 7 GND." {
		t.Errorf("said %q", got)
	}
	if !eval[bool](b, `document.querySelector('[name="from"]').closest("[data-for]").hidden && !document.querySelector('[name="current"]').closest("[data-for]").hidden`) {
		t.Error("fields of another tool are shown")
	}
	eval[bool](b, `(() => { const f = document.querySelector('[name="current"]'); f.value = "2 mA"; f.dispatchEvent(new Event("input", { bubbles: true })); return true; })()`)
	b.Until(`document.querySelector(".echo") && document.querySelector(".echo").textContent === "= understood 2 mA in A"`)
}
