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
	b.T.Helper()
	b.Do(chromedp.WaitReady(`.rows li`))
	return evaluate[int](b, fmt.Sprintf(`[...document.querySelectorAll(".rows li")].findIndex(r => decodeURIComponent(r.querySelector("a").href.split("/").pop()).startsWith(%q))`, id))
}

func (b *tab) rows() int {
	b.T.Helper()
	return evaluate[int](b, `document.querySelectorAll(".rows li").length`)
}

// The way of a procedure: drafted, a limit edited, undone, reordered, a
// measurement left out, exported, imported, run.
func TestBrowserProcedure(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Open(p.base + "/procedures")
	actions := 0
	submit := func(selector string) { b.T.Helper(); actions++; b.Submit(selector) }

	submit(`form[action="/devices/tarnel-6/draft"] button`)
	edit := b.Address()
	if !strings.HasSuffix(edit, "/edit") {
		t.Fatalf("drafting leads to %s: %s", edit, b.Text("main"))
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

	b.Open(edit)
	b.Submit(fmt.Sprintf("#r%d a", b.rowOf("supply")))
	b.Fill(`[name="limits.current.high"]`, "4.7 mA")
	b.Do(chromedp.SendKeys(`[name="limits.current.high"]`, " "))
	b.Until(`document.querySelector('[name="limits.current.high"]').parentElement.querySelector(".echo")?.textContent.includes("4.7")`)
	b.Submit(`#measurement-form button[value=save]`)
	row := fmt.Sprintf("#r%d", b.rowOf("supply"))
	if got := b.Text(row); !strings.Contains(got, "at most 4.7 mA") {
		t.Fatalf("the limit is not in the list: %s", got)
	}
	b.Submit("#undo")
	if got := b.Text(row); strings.Contains(got, "4.7 mA") {
		t.Errorf("undone, and still in the list: %s", got)
	}

	first := b.Text("#r0 a")
	b.Submit("#r0 [name=down]")
	if got := b.Text("#r1 a"); got != first {
		t.Errorf("moved down, the first is not second but %s", got)
	}
	last := b.rows() - 1
	b.Submit(fmt.Sprintf("#r%d [name=off]", last))
	if got := b.Text(fmt.Sprintf("#r%d", last)); !strings.Contains(got, "left out") {
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
	b.Open(p.base + "/procedures/import")
	b.Do(chromedp.SetUploadFiles("#import-file", []string{file}))
	b.Submit(`form[enctype] button[type=submit]`)
	if got := b.Text("#changes"); !strings.Contains(got, "Contact of all") {
		t.Errorf("the import does not say what it changes: %s", got)
	}
	b.Shot("procedure-import-1280")
	b.Submit("#import-save")
	if got := b.Text(".rows"); !strings.Contains(got, "Contact of all") {
		t.Errorf("not imported: %s", got)
	}

	b.Open(p.base + "/procedures/" + key)
	b.Fill("#start-serial", "P-1")
	b.Submit(`form[action="/runs"] button[type=submit]`)
	b.Until(`document.body.dataset.ready && ` + runIs + `"done"`)
	if n := evaluate[int](b, `document.querySelectorAll("#run-results tbody tr").length`); n < 10 {
		t.Errorf("the run of the drafted procedure gave %d results", n)
	}
}

// fetch gets a document of the server as text.
func (b *tab) fetch(path string) string {
	b.T.Helper()
	return await[string](b, fmt.Sprintf(`fetch(%q).then(r => r.text())`, path))
}

// Two editors of one revision: the second is told, and loses nothing.
func TestBrowserProcedureTwoEditors(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Open(p.base + "/procedures/tarnel-6-quick/edit/leakage")
	two := b.second()
	two.Open(p.base + "/procedures/tarnel-6-quick/edit/leakage")
	b.Fill(`[name="limits.high.high"]`, "2 uA")
	b.Submit(`#measurement-form button[value=save]`)
	two.Allow("409")
	two.Fill(`[name="name"]`, "Leakage of mine")
	two.Submit(`#measurement-form button[value=save]`)
	said := two.Text(".conflict")
	if !strings.Contains(said, "revision 2") || !strings.Contains(said, "2 µA") {
		t.Errorf("the second editor is told %q", said)
	}
	two.Shot("procedure-conflict-1280")
	if got := evaluate[string](two, `document.querySelector("[name=name]").value`); got != "Leakage of mine" {
		t.Errorf("what was typed is lost: %q", got)
	}
	two.Submit(`#measurement-form button[value=save]`)
	if got := two.Text(".rows"); !strings.Contains(got, "Leakage of mine") {
		t.Errorf("not saved on top: %s", got)
	}
}

// A procedure of 500 measurements: the page stays small, fits a narrow window,
// and does not jump while it loads or after an action.
func TestBrowserProcedureLong(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := atHome(t, p)
	key := longProcedure(t, p, 500)
	page := b.fetch("/procedures/" + key + "/edit")
	t.Logf("a page of 500 measurements has %d bytes", len(page))
	if len(page) > 300_000 {
		t.Errorf("a page of 500 measurements has %d bytes, more than 300000", len(page))
	}
	for _, width := range []int64{1280, 390} {
		b.Size(width, 900)
		b.Open(p.base + "/procedures/" + key + "/edit")
		if n := b.rows(); n != 500 {
			t.Fatalf("%d rows", n)
		}
		shift := evaluate[float64](b, `(() => { let s = 0; const o = new PerformanceObserver(l => {}); o.observe({type: "layout-shift", buffered: true});
			for (const e of o.takeRecords()) s += e.value; return s; })()`)
		if shift > 0.01 {
			t.Errorf("at %d px the page shifts by %g while it loads", width, shift)
		}
		b.Fits(fmt.Sprintf("500 measurements at %d px", width))
	}
	b.Size(1280, 900)
	before := evaluate[float64](b, `(document.querySelector("#r400").scrollIntoView({block: "center"}), scrollY)`)
	b.Submit("#r400 [name=off]")
	b.Until(fmt.Sprintf(`document.body.dataset.editor && Math.abs(scrollY - %g) < 60`, before))
	if got := b.Text("#r400"); !strings.Contains(got, "left out") {
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
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Open(p.base + "/procedures")
	b.Submit(`form[action="/devices/averlock-48/draft"] button`)
	draft := strings.TrimPrefix(b.Address(), p.base)
	b.Open(p.base + "/procedures/tarnel-6-quick/edit")
	b.Submit("#r0 [name=down]")
	b.Do(chromedp.WaitVisible("#undo")) // the page that follows has come whole
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
			b.Size(width, 900)
			b.Open(p.base + q.path)
			b.Do(chromedp.WaitVisible(".foot"))
			b.Fits(fmt.Sprintf("%s at %d px", q.name, width))
			b.Shot(fmt.Sprintf("page-%s-%d", q.name, width))
			if os.Getenv("OHMKEEP_SHOTS") != "" {
				b.Dark(true)
				b.Shot(fmt.Sprintf("page-%s-%d-dark", q.name, width))
				b.Dark(false)
			}
		}
	}
}

// What the form gains from its script: pins picked on the drawing, levels of a
// sweep drawn as they are typed, units that follow what is forced. A message
// stands beside its field and what was typed stays.
func TestBrowserMeasurementForm(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Open(p.base + "/procedures/tarnel-6-quick/add?kind=sweep")
	b.Until(`document.body.dataset.editor`)
	b.Fill(`[name=pins]`, "")
	b.Do(chromedp.SendKeys(`[name=pins]`, "1-3"))
	b.Until(`document.getElementById("pins-echo").textContent.includes("3 pins")`)
	b.Click(`[data-pick-pins] [data-pin="5"] .number`)
	b.Until(`document.querySelector("[name=pins]").value === "1-3, 5"`)
	b.Click(`[data-pick-pins] [data-pin="2"] .number`)
	b.Until(`document.querySelector("[name=pins]").value === "1, 3, 5"`)
	if n := evaluate[int](b, `document.querySelectorAll("[data-pick-pins] .picked").length`); n != 3 {
		t.Errorf("%d pins are marked on the drawing", n)
	}
	b.Do(chromedp.SetValue(`[name=use]`, "voltage"))
	evaluate[bool](b, `document.querySelector("[name=use]").dispatchEvent(new Event("change", {bubbles: true}))`)
	if unit := evaluate[string](b, `document.querySelector('[name="sweep.to"]').dataset.unit + document.querySelector('[name=compliance]').dataset.unit`); unit != "VA" {
		t.Errorf("with a voltage forced the units are %s", unit)
	}
	b.Fill(`[name="sweep.from"]`, "1 mV")
	b.Fill(`[name="sweep.to"]`, "100 mV")
	b.Fill(`[name="sweep.points"]`, "")
	b.Do(chromedp.SendKeys(`[name="sweep.points"]`, "3"))
	b.Until(`document.querySelector(".sweep-preview").textContent.includes("1 mV, 10 mV, 100 mV")`)
	b.Fill(`[name=compliance]`, "3 V")
	b.Allow("422")
	b.Submit(`#measurement-form button[value=save]`)
	if got := b.Text(`[id="m-compliance-error"]`); !strings.Contains(got, "voltage") {
		t.Errorf("beside the compliance stands %q", got)
	}
	if got := evaluate[string](b, `document.querySelector("[name=pins]").value + document.querySelector("[name=compliance]").value`); got != "1, 3, 53 V" {
		t.Errorf("what was typed came back as %q", got)
	}
	b.Shot("measurement-refused-1280")
	b.Fill(`[name=compliance]`, "5 mA")
	b.Submit(`#measurement-form button[value=save]`)
	if got := b.Text(".rows li:last-child"); !strings.Contains(got, "1 mV to 100 mV in 3 logarithmic") {
		t.Errorf("the list says %q", got)
	}
}

// Rows are moved by keyboard and by the pointer.
func TestBrowserProcedureMove(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Open(p.base + "/procedures/tarnel-6-quick/edit")
	first := b.Text("#r0 a")
	b.Do(chromedp.Focus(`#r0 a`))
	if _, err := chromedp.RunResponse(b.Ctx, chromedp.KeyEvent(kb.ArrowDown, chromedp.KeyModifiers(chromedp.ModifierAlt))); err != nil {
		t.Fatal(err)
	}
	if got := b.Text("#r1 a"); got != first {
		t.Errorf("moved by keyboard, the second is %s", got)
	}
	box := evaluate[[]float64](b, `(() => { scrollTo(0, 0); const at = (id) => { const r = document.getElementById(id).getBoundingClientRect(); return [r.left + 34, r.top + 14]; }; return [...at("r1"), ...at("r3")]; })()`)
	b.Do(chromedp.MouseEvent(input.DispatchMouseEventTypeMousePressed, box[0], box[1], chromedp.ButtonLeft, chromedp.ClickCount(1)),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, box[2], box[3], chromedp.ButtonLeft))
	if _, err := chromedp.RunResponse(b.Ctx, chromedp.MouseEvent(input.DispatchMouseEventTypeMouseReleased, box[2], box[3], chromedp.ButtonLeft, chromedp.ClickCount(1))); err != nil {
		t.Fatal(err)
	}
	if got := b.Text("#r3 a"); got != first {
		t.Errorf("dragged from the second to the fourth place, the fourth is %s", got)
	}
}
