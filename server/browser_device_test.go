package main

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
)

// gateTable is a 14-pin part as somebody copies it from a spreadsheet.
const gateTable = "Pin No.\tSymbol\tType\tMax (V)\tMax current [mA]\tLogic\n" +
	"1\tA1\tInput\t5,5\t10\t\n2\tB1\tInput\t5,5\t10\t\n3\tY1\tOutput\t5,5\t25\t\n" +
	"4\tA2\tInput\t5,5\t10\t\n5\tB2\tInput\t5,5\t10\t\n6\tY2\tOutput\t5,5\t25\t\n" +
	"7\tGND\tGround\t\t50\t\n" +
	"8\tY3\tOutput\t5,5\t25\t\n9\tA3\tInput\t5,5\t10\t\n10\tB3\tInput\t5,5\t10\t\n" +
	"11\tY4\tOutput\t5,5\t25\t\n12\tA4\tInput\t5,5\t10\t\n13\tB4\tInput\t5,5\t10\t\n" +
	"14\tVDD\tSupply\t5,5\t50\t\n"

// views takes a picture of a page at both widths, light and dark, and checks
// that it fits.
func (b *tab) views(name string) {
	b.T.Helper()
	looks := []bool{false}
	if os.Getenv("OHMKEEP_SHOTS") != "" { // dark is to look at: it lays nothing out anew
		looks = append(looks, true)
	}
	for _, dark := range looks {
		b.Dark(dark)
		for _, width := range []int64{1280, 390} {
			b.Size(width, 900)
			b.Fits(fmt.Sprintf("%s at %d px", name, width))
			b.Shot(fmt.Sprintf("%s-%d%s", name, width, map[bool]string{true: "-dark"}[dark]))
		}
	}
	b.Dark(false)
	b.Size(1280, 900)
}

// paper checks that a page fits a sheet of paper as it is printed: 19 cm of it
// at 96 px to the inch.
func (b *tab) paper(name string) {
	b.T.Helper()
	b.Medium("print")
	b.Size(718, 1000)
	b.Fits(name + " on paper")
	if shown := evaluate[int](b, `[...document.querySelectorAll("nav, .strip, .crumbs, button")].filter(e => e.offsetParent).length`); shown > 0 {
		b.T.Errorf("%s: %d controls are printed", name, shown)
	}
	b.Shot(name + "-paper")
	b.Medium("")
	b.Size(1280, 900)
}

// A newcomer describes a part from a pasted table and has its pin map: the
// actions are counted.
func TestBrowserDescribe(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Open(p.base + "/devices")
	actions := 0
	act := func(f func()) { t.Helper(); f(); actions++ }

	act(func() { b.Submit("#describe") })
	b.views("describe")
	act(func() { b.Fill("#device-name", "Quad gate") })
	act(func() { b.Fill("#device-paste", gateTable) })
	act(func() { b.Submit(`button[value="understand"]`) })
	if got := evaluate[int](b, `document.querySelectorAll('.pin-grid [name="number"]').length`); got != 15 {
		t.Errorf("%d rows of pins, want 14 and one spare", got)
	}
	if got := evaluate[string](b, `document.getElementById("device-pins-0-maxV").value`); got != "5.5 V" {
		t.Errorf("the highest voltage of pin 1 is shown as %q", got)
	}
	b.views("understood")
	act(func() { b.Submit("#save-device") })
	if !strings.HasSuffix(b.Address(), "/devices/quad-gate") {
		t.Fatalf("after saving, the page is %s", b.Address())
	}
	b.views("described")
	if actions > 5 {
		t.Errorf("%d actions until the device and its pin map are kept", actions)
	}
	act(func() { b.Submit("#draft") })
	if b.Do(chromedp.WaitVisible("h1")); !strings.Contains(b.Address(), "/procedures/") {
		t.Fatalf("drafting leads to %s: %s", b.Address(), b.Text("main"))
	}
	act(func() { b.Submit(`a[href$="/check"]`) })
	if actions >= 10 {
		t.Errorf("%d actions until the procedure is checked", actions)
	}
	b.Shot("checked")
	t.Logf("%d actions from the list of devices to a checked procedure", actions)

	pm, err := p.app.store.GetPinMap(t.Context(), "quad-gate", "rehearsal", 0)
	if err != nil || pm.Body.Contacts[1] != 1 || pm.Body.Contacts[14] != 48 {
		t.Fatalf("no pin map was proposed: %+v, %v", pm, err)
	}
	b.Open(p.base + "/devices/quad-gate/pinmap")
	b.views("pinmap")
	b.Open(p.base + "/devices/quad-gate/wiring")
	b.views("wiring")
	b.paper("wiring")
}

// shifts adds up how far the parts of a page moved while it loaded, as parts of
// the window.
const shifts = `new Promise((done) => {
	let sum = 0;
	new PerformanceObserver((list) => { for (const e of list.getEntries()) sum += e.value; }).observe({type: "layout-shift", buffered: true});
	requestAnimationFrame(() => requestAnimationFrame(() => done(sum)));
})`

// Every page of the 48-pin part fits, its editor is not heavy, and nothing
// jumps while it loads.
func TestBrowserLargeDevice(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := atHome(t, p)
	size := await[int](b, `fetch("/devices/averlock-48/edit").then(r => r.arrayBuffer()).then(a => a.byteLength)`)
	if size > 300<<10 || size < 30<<10 {
		t.Errorf("the editor of 48 pins has %d bytes, want at most 300 KiB", size)
	}
	t.Logf("editor of 48 pins: %d KiB", size>>10)
	for name, at := range map[string]string{"edit-48": "edit", "pinmap-48": "pinmap", "wiring-48": "wiring", "revisions-48": "revisions"} {
		b.Open(p.base + "/devices/averlock-48/" + at)
		if jump := await[float64](b, shifts); jump > 0.01 {
			t.Errorf("%s jumps by %g", at, jump)
		}
		b.views(name)
	}
	// A slow machine paints before the drawing has arrived.
	b.Size(1280, 900)
	b.Open(p.base + "/devices/averlock-48/edit")
	const columns = `getComputedStyle(document.querySelector(".part-head")).gridTemplateColumns`
	whole := evaluate[string](b, columns)
	without := evaluate[string](b, `(document.getElementById("drawing").replaceChildren(), `+columns+`)`)
	if whole != without {
		t.Errorf("the head of the editor has columns of %s before its drawing is there and of %s after it", without, whole)
	}
}

// The grid is filled by keyboard and by pasting a block; what is typed is read
// back beside it; the drawing follows.
func TestBrowserGrid(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Open(p.base + "/devices/" + demo.Scenario().Devices[0].Key + "/edit")
	b.Do(chromedp.WaitVisible("#device-pins-0-maxV"), chromedp.Focus("#device-pins-0-maxV"), chromedp.KeyEvent("\r"))
	b.Until(`document.activeElement.id === "device-pins-1-maxV"`)
	b.Do(chromedp.KeyEvent("4V7"))
	b.Until(`document.getElementById("pin-echo").textContent.includes("= 4.70 V")`)

	evaluate[bool](b, `(() => {
		const data = new DataTransfer();
		data.setData("text/plain", "XA\toutput\t-0.3\nXB\tinput\t-0.4\n");
		const cell = document.getElementById("device-pins-2-name");
		cell.focus();
		return cell.dispatchEvent(new ClipboardEvent("paste", {clipboardData: data, bubbles: true, cancelable: true}));
	})()`)
	b.Until(`document.getElementById("device-pins-3-minV").value === "-0.4" && document.getElementById("device-pins-2-function").value === "output"`)
	b.Until(`[...document.querySelectorAll("#drawing text")].some(e => e.textContent.includes("XA"))`)
	b.Submit("#save-device")
	d, err := p.app.store.GetDevice(t.Context(), demo.Scenario().Devices[0].Key, 0)
	if err != nil {
		t.Fatal(err)
	}
	b.Open(p.base + "/devices/" + d.Body.Key + "/revisions")
	b.views("revisions")
	if d.Rev != 2 || d.Body.Pins[1].MaxV != 4.7 || d.Body.Pins[2].Name != "XA" || d.Body.Pins[3].MinV != -0.4 {
		t.Errorf("kept revision %d: %+v", d.Rev, d.Body.Pins[:4])
	}
}

// A pin is moved by dragging and by keyboard; the one that sat there changes
// places, and what reaches them is shown at once.
func TestBrowserPinMap(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	key := ""
	for _, d := range demo.Scenario().Devices {
		if d.Package.Family == dut.DualRow && d.Package.Pins == 14 {
			key = d.Key
		}
	}
	if key == "" {
		key = demo.Scenario().Devices[0].Key
	}
	b.Open(p.base + "/devices/" + key + "/pinmap")
	contact := func(pin int) string {
		return fmt.Sprintf(`document.querySelector('[data-pin-contact="%d"]').value`, pin)
	}
	first, second := evaluate[string](b, contact(1)), evaluate[string](b, contact(2))
	b.Do(chromedp.Focus("#socket-p1"), chromedp.KeyEvent("\r"), chromedp.KeyEvent(kb.ArrowDown))
	b.Do(chromedp.KeyEvent("\r"))
	if a, c := evaluate[string](b, contact(1)), evaluate[string](b, contact(2)); a != second || c != first {
		t.Errorf("pins 1 and 2 sit on %s and %s, want %s and %s", a, c, second, first)
	}
	b.Until(`document.getElementById("socket-p1").getAttribute("aria-label").endsWith("contact ` + second + `")`)

	b.Size(1280, 1400)
	b.Do(chromedp.DragAndDrop("#socket-p1 .hit", `#socket [data-contact="20"] .place`))
	b.Until(contact(1) + ` === "20"`)
	b.Until(`document.getElementById("socket-p1").getAttribute("aria-label").endsWith("contact 20")`)
	b.Fill(`[data-pin-contact="2"]`, "20")
	evaluate[bool](b, `document.querySelector('[data-pin-contact="2"]').dispatchEvent(new Event("change", {bubbles: true}))`)
	b.Until(`document.querySelector("#findings").textContent.includes("already holds")`)
	b.views("pinmap-wrong")
	b.Fill(`[data-pin-contact="2"]`, "21")
	b.Submit("#save-map")
	pm, err := p.app.store.GetPinMap(t.Context(), key, "rehearsal", 0)
	if err != nil || pm.Body.Contacts[1] != 20 || pm.Body.Contacts[2] != 21 {
		t.Errorf("kept %+v, %v", pm, err)
	}
}

// Two people edit one device: the second is told, and what was typed is still
// in the form.
func TestBrowserTwoEditors(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	key := demo.Scenario().Devices[0].Key
	b.Open(p.base + "/devices/" + key + "/edit")
	other := b.second()
	other.Open(p.base + "/devices/" + key + "/edit")
	other.Fill("#device-description", "Changed by the other")
	other.Fill("#device-pins-0-name", "OTHER")
	other.Submit("#save-device")

	b.Allow("409 (Conflict)")
	b.Fill("#device-pins-1-name", "MINE")
	b.Submit("#save-device")
	if said := b.Text(".conflict"); !strings.Contains(said, "Changed by the other") || !strings.Contains(said, "MINE") {
		t.Errorf("the conflict is told as %q", said)
	}
	if mine := evaluate[string](b, `document.getElementById("device-pins-1-name").value`); mine != "MINE" {
		t.Errorf("what was typed became %q", mine)
	}
	b.views("conflict")
	b.Submit("#save-device")
	d, err := p.app.store.GetDevice(t.Context(), key, 0)
	if err != nil || d.Rev != 3 || d.Body.SortPins().Pins[1].Name != "MINE" {
		t.Errorf("saving on top kept revision %d, %v", d.Rev, err)
	}
}
