package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"ohmkeep/server/procedure"
)

// rowOf is the place in the list of the first measurement whose id begins so.
func (b *tab) rowOf(id string) int {
	b.t.Helper()
	b.do(chromedp.WaitReady(`.rows li`))
	return evaluate[int](b, fmt.Sprintf(`[...document.querySelectorAll(".rows li")].findIndex(r => decodeURIComponent(r.querySelector("a").href.split("/").pop()).startsWith(%q))`, id))
}

func (b *tab) rows() int {
	b.t.Helper()
	return evaluate[int](b, `document.querySelectorAll(".rows li").length`)
}

// The way of a procedure: drafted, a limit edited, undone, reordered, a
// measurement left out, exported, imported, run.
func TestBrowserProcedure(t *testing.T) {
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.open(p.base + "/procedures")
	actions := 0
	submit := func(selector string) { b.t.Helper(); actions++; b.submit(selector) }

	submit(`form[action="/devices/tarnel-6/draft"] button`)
	edit := b.address()
	if !strings.HasSuffix(edit, "/edit") {
		t.Fatalf("drafting leads to %s: %s", edit, b.text("main"))
	}
	if n := b.rows(); n < 4 {
		t.Fatalf("%d measurements drafted", n)
	}
	if reasons := evaluate[int](b, `document.querySelectorAll(".rows q").length`); reasons < 3 {
		t.Errorf("%d reasons stand beside measurements", reasons)
	}
	submit(`.title a[href$="/check"]`)
	t.Logf("from the draft to its check: %d actions", actions)
	if actions > 3 {
		t.Errorf("%d actions from the draft to its check", actions)
	}

	b.open(edit)
	b.submit(fmt.Sprintf("#r%d a", b.rowOf("supply")))
	b.fill(`[name="limits.current.high"]`, "4.7 mA")
	b.do(chromedp.SendKeys(`[name="limits.current.high"]`, " "))
	b.until(`document.querySelector('[name="limits.current.high"]').parentElement.querySelector(".echo")?.textContent.includes("4.7")`)
	b.submit(`#measurement-form button[value=save]`)
	row := fmt.Sprintf("#r%d", b.rowOf("supply"))
	if got := b.text(row); !strings.Contains(got, "at most 4.7 mA") {
		t.Fatalf("the limit is not in the list: %s", got)
	}
	b.submit("#undo")
	if got := b.text(row); strings.Contains(got, "4.7 mA") {
		t.Errorf("undone, and still in the list: %s", got)
	}

	first := b.text("#r0 a")
	b.submit("#r0 [name=down]")
	if got := b.text("#r1 a"); got != first {
		t.Errorf("moved down, the first is not second but %s", got)
	}
	last := b.rows() - 1
	b.submit(fmt.Sprintf("#r%d [name=off]", last))
	if got := b.text(fmt.Sprintf("#r%d", last)); !strings.Contains(got, "left out") {
		t.Errorf("not left out: %s", got)
	}

	key := strings.Split(edit, "/")[4]
	document := b.fetch("/procedures/" + key + ".json")
	if again := b.fetch("/procedures/" + key + ".json"); again != document {
		t.Error("two exports of the same procedure differ")
	}
	changed := strings.Replace(document, `"name": "Contact"`, `"name": "Contact of all"`, 1)
	if changed == document {
		t.Fatalf("no measurement named Contact in %s", document)
	}
	file := filepath.Join(t.TempDir(), "procedure.json")
	if err := os.WriteFile(file, []byte(changed), 0o600); err != nil {
		t.Fatal(err)
	}
	b.open(p.base + "/procedures/import")
	b.do(chromedp.SetUploadFiles("#import-file", []string{file}))
	b.submit(`form[enctype] button[type=submit]`)
	if got := b.text("#changes"); !strings.Contains(got, "Contact of all") {
		t.Errorf("the import does not say what it changes: %s", got)
	}
	b.shot("procedure-import-1280")
	b.submit("#import-save")
	if got := b.text(".rows"); !strings.Contains(got, "Contact of all") {
		t.Errorf("not imported: %s", got)
	}

	b.open(p.base + "/procedures/" + key)
	b.fill("#start-serial", "P-1")
	b.submit(`form[action="/runs"] button[type=submit]`)
	b.until(`document.body.dataset.ready && ` + runIs + `"done"`)
	if n := evaluate[int](b, `document.querySelectorAll("#run-results tbody tr").length`); n < 10 {
		t.Errorf("the run of the drafted procedure gave %d results", n)
	}
}

// fetch gets a document of the server as text.
func (b *tab) fetch(path string) string {
	b.t.Helper()
	text, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](fmt.Sprintf(`fetch(%q).then(r => r.text())`, path), chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatal(err)
	}
	return text
}

// Two editors of one revision: the second is told, and loses nothing.
func TestBrowserProcedureTwoEditors(t *testing.T) {
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.open(p.base + "/procedures/tarnel-6-quick/edit/leakage")
	two := b.second()
	two.open(p.base + "/procedures/tarnel-6-quick/edit/leakage")
	b.fill(`[name="limits.high.high"]`, "2 uA")
	b.submit(`#measurement-form button[value=save]`)
	two.allow("409")
	two.fill(`[name="name"]`, "Leakage of mine")
	two.submit(`#measurement-form button[value=save]`)
	said := two.text(".conflict")
	if !strings.Contains(said, "revision 2") || !strings.Contains(said, "2 µA") {
		t.Errorf("the second editor is told %q", said)
	}
	two.shot("procedure-conflict-1280")
	if got := evaluate[string](two, `document.querySelector("[name=name]").value`); got != "Leakage of mine" {
		t.Errorf("what was typed is lost: %q", got)
	}
	two.submit(`#measurement-form button[value=save]`)
	if got := two.text(".rows"); !strings.Contains(got, "Leakage of mine") {
		t.Errorf("not saved on top: %s", got)
	}
}

// A procedure of 500 measurements: the page stays small, fits a narrow window,
// and does not jump while it loads or after an action.
func TestBrowserProcedureLong(t *testing.T) {
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	key := longProcedure(t, p, 500)
	page := b.fetch("/procedures/" + key + "/edit")
	t.Logf("a page of 500 measurements has %d bytes", len(page))
	if len(page) > 300_000 {
		t.Errorf("a page of 500 measurements has %d bytes, more than 300000", len(page))
	}
	for _, width := range []int64{1280, 390} {
		b.size(width, 900)
		b.open(p.base + "/procedures/" + key + "/edit")
		if n := b.rows(); n != 500 {
			t.Fatalf("%d rows", n)
		}
		shift := evaluate[float64](b, `(() => { let s = 0; const o = new PerformanceObserver(l => {}); o.observe({type: "layout-shift", buffered: true});
			for (const e of o.takeRecords()) s += e.value; return s; })()`)
		if shift > 0.01 {
			t.Errorf("at %d px the page shifts by %g while it loads", width, shift)
		}
		b.fits(fmt.Sprintf("500 measurements at %d px", width))
	}
	b.size(1280, 900)
	before := evaluate[float64](b, `(document.querySelector("#r400").scrollIntoView({block: "center"}), scrollY)`)
	b.submit("#r400 [name=off]")
	b.until(fmt.Sprintf(`document.body.dataset.editor && Math.abs(scrollY - %g) < 60`, before))
	if got := b.text("#r400"); !strings.Contains(got, "left out") {
		t.Errorf("row 400: %s", got)
	}
}

// longProcedure stores a procedure of n measurements of real length.
func longProcedure(t *testing.T, p *program, n int) string {
	t.Helper()
	ctx := t.Context()
	stored, err := p.app.store.GetProcedure(ctx, "tarnel-6-characterisation", 0)
	if err != nil {
		t.Fatal(err)
	}
	long := procedure.Procedure{Key: "long", Name: "Long", Device: stored.Body.Device}
	for i := range n {
		m := stored.Body.Measurements[i%len(stored.Body.Measurements)].Clone()
		m.ID = fmt.Sprintf("%s-%d", m.ID, i)
		m.Name = fmt.Sprintf("%s %d", m.Name, i)
		m.Group = fmt.Sprintf("Part %d", i/25+1)
		long.Measurements = append(long.Measurements, m)
	}
	if _, err := p.app.store.SaveProcedure(ctx, long, 0, "test"); err != nil {
		t.Fatal(err)
	}
	return long.Key
}

// Every page of the editor, narrow and wide, light and dark: nothing on the
// console, nothing wider than the window.
func TestBrowserProcedurePages(t *testing.T) {
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.open(p.base + "/procedures")
	b.submit(`form[action="/devices/averlock-48/draft"] button`)
	draft := strings.TrimPrefix(b.address(), p.base)
	b.open(p.base + "/procedures/tarnel-6-quick/edit")
	b.submit("#r0 [name=down]")
	b.do(chromedp.WaitVisible("#undo")) // the page that follows has come whole
	pages := []struct{ name, path string }{
		{"procedures", "/procedures"}, {"procedure-edit", "/procedures/tarnel-6-characterisation/edit"}, {"procedure-draft48", draft},
		{"procedure-revisions", "/procedures/tarnel-6-quick/revisions"}, {"procedure-import", "/procedures/import"},
		{"measurement-new", "/procedures/tarnel-6-quick/add?kind=sweep"}, {"measurement-contact48", draft + "/contact"},
		{"measurement-curves", "/procedures/tarnel-6-characterisation/edit/output-curves"},
		{"measurement-threshold", "/procedures/tarnel-6-characterisation/edit/threshold-1"},
		{"measurement-watch", "/procedures/tarnel-6-quick/add?kind=watch"},
	}
	for _, q := range pages {
		for _, width := range []int64{1280, 390} {
			b.size(width, 900)
			b.open(p.base + q.path)
			b.do(chromedp.WaitVisible(".foot"))
			b.fits(fmt.Sprintf("%s at %d px", q.name, width))
			b.shot(fmt.Sprintf("page-%s-%d", q.name, width))
			if os.Getenv("OHMKEEP_SHOTS") != "" {
				b.dark(true)
				b.shot(fmt.Sprintf("page-%s-%d-dark", q.name, width))
				b.dark(false)
			}
		}
	}
}

// What the form gains from its script: pins picked on the drawing, levels of a
// sweep drawn as they are typed, units that follow what is forced. A message
// stands beside its field and what was typed stays.
func TestBrowserMeasurementForm(t *testing.T) {
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.open(p.base + "/procedures/tarnel-6-quick/add?kind=sweep")
	b.until(`document.body.dataset.editor`)
	b.fill(`[name=pins]`, "")
	b.do(chromedp.SendKeys(`[name=pins]`, "1-3"))
	b.until(`document.getElementById("pins-echo").textContent.includes("3 pins")`)
	b.click(`[data-pick-pins] [data-pin="5"] .number`)
	b.until(`document.querySelector("[name=pins]").value === "1-3, 5"`)
	b.click(`[data-pick-pins] [data-pin="2"] .number`)
	b.until(`document.querySelector("[name=pins]").value === "1, 3, 5"`)
	if n := evaluate[int](b, `document.querySelectorAll("[data-pick-pins] .picked").length`); n != 3 {
		t.Errorf("%d pins are marked on the drawing", n)
	}
	b.do(chromedp.SetValue(`[name=use]`, "voltage"))
	evaluate[bool](b, `document.querySelector("[name=use]").dispatchEvent(new Event("change", {bubbles: true}))`)
	if unit := evaluate[string](b, `document.querySelector('[name="sweep.to"]').dataset.unit + document.querySelector('[name=compliance]').dataset.unit`); unit != "VA" {
		t.Errorf("with a voltage forced the units are %s", unit)
	}
	b.fill(`[name="sweep.from"]`, "1 mV")
	b.fill(`[name="sweep.to"]`, "100 mV")
	b.fill(`[name="sweep.points"]`, "")
	b.do(chromedp.SendKeys(`[name="sweep.points"]`, "3"))
	b.until(`document.querySelector(".sweep-preview").textContent.includes("1 mV, 10 mV, 100 mV")`)
	b.fill(`[name=compliance]`, "3 V")
	b.allow("422")
	b.submit(`#measurement-form button[value=save]`)
	if got := b.text(`[id="m-compliance-error"]`); !strings.Contains(got, "voltage") {
		t.Errorf("beside the compliance stands %q", got)
	}
	if got := evaluate[string](b, `document.querySelector("[name=pins]").value + document.querySelector("[name=compliance]").value`); got != "1, 3, 53 V" {
		t.Errorf("what was typed came back as %q", got)
	}
	b.shot("measurement-refused-1280")
	b.fill(`[name=compliance]`, "5 mA")
	b.submit(`#measurement-form button[value=save]`)
	if got := b.text(".rows li:last-child"); !strings.Contains(got, "1 mV to 100 mV in 3 logarithmic") {
		t.Errorf("the list says %q", got)
	}
}

// Rows are moved by keyboard and by the pointer.
func TestBrowserProcedureMove(t *testing.T) {
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.open(p.base + "/procedures/tarnel-6-quick/edit")
	first := b.text("#r0 a")
	b.do(chromedp.Focus(`#r0 a`))
	if _, err := chromedp.RunResponse(b.ctx, chromedp.KeyEvent(kb.ArrowDown, chromedp.KeyModifiers(chromedp.ModifierAlt))); err != nil {
		t.Fatal(err)
	}
	if got := b.text("#r1 a"); got != first {
		t.Errorf("moved by keyboard, the second is %s", got)
	}
	box := evaluate[[]float64](b, `(() => { scrollTo(0, 0); const at = (id) => { const r = document.getElementById(id).getBoundingClientRect(); return [r.left + 34, r.top + 14]; }; return [...at("r1"), ...at("r3")]; })()`)
	b.do(chromedp.MouseEvent(input.DispatchMouseEventTypeMousePressed, box[0], box[1], chromedp.ButtonLeft, chromedp.ClickCount(1)),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, box[2], box[3], chromedp.ButtonLeft))
	if _, err := chromedp.RunResponse(b.ctx, chromedp.MouseEvent(input.DispatchMouseEventTypeMouseReleased, box[2], box[3], chromedp.ButtonLeft, chromedp.ClickCount(1))); err != nil {
		t.Fatal(err)
	}
	if got := b.text("#r3 a"); got != first {
		t.Errorf("dragged from the second to the fourth place, the fourth is %s", got)
	}
}
