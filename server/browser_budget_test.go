package main

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// The ± of a result opens what it is made of, by keyboard too, and leads back;
// what is asked of it stays the same on a share link, on paper and on a phone.
func TestBrowserBudget(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Open(p.base + "/procedures/dunmoss-8-resistances")
	b.Fill("#start-serial", "B-1")
	b.Submit(`form[action="/runs"] button[type=submit]`)
	b.Until(`document.getElementById("run-status").dataset.status === "done"`)
	run := b.Address()
	if got := b.Text("#rule"); !strings.Contains(got, "guard band") || !strings.Contains(got, "2.5 %") {
		t.Errorf("the decision rule on the run's page: %q", got)
	}
	evaluate[any](b, `document.querySelectorAll("details.fold").forEach(d => d.open = true)`)
	b.views("budget-run")

	// By keyboard: the link takes the focus and Enter follows it.
	two := evaluate[string](b, `[...document.querySelectorAll("#run-results tr")].find(r => /Resistance/.test(r.textContent)).querySelector("a.budget-link").textContent`)
	evaluate[any](b, `[...document.querySelectorAll("#run-results tr")].find(r => /Resistance/.test(r.textContent)).querySelector("a.budget-link").focus()`)
	b.Do(chromedp.KeyEvent(kb.Enter))
	b.Until(`document.querySelector("section.budget") !== null`)
	if got := b.Text("section.budget .statement"); !strings.Contains(got, strings.TrimSpace(two)) {
		t.Errorf("the budget is of %q, its link said %q", got, two)
	}
	shares := evaluate[float64](b, `[...document.querySelectorAll(".budget-table meter")].reduce((sum, m) => sum + m.value, 0)`)
	if shares < 0.98 || shares > 1.02 {
		t.Errorf("the shares come to %g", shares)
	}
	text := b.Text("section.budget")
	for _, want := range []string{"k = ", "degrees of freedom", "a correction of 1A", "→ ±", "Not counted", "Assumed", "within its limits with a probability of"} {
		if !strings.Contains(text, want) {
			t.Errorf("the budget does not say %q:\n%s", want, text)
		}
	}
	b.views("budget-one")
	b.paper("budget-one")

	b.Open(run + "?budget=all")
	if n := evaluate[int](b, `document.querySelectorAll("section.budget").length`); n < 3 {
		t.Errorf("%d budgets of the whole run", n)
	}
	b.paper("budget-all")
	b.Submit("#back")
	if b.Address() != run+"#results" {
		t.Errorf("back leads to %s", b.Address())
	}

	b.Submit(`form[action$="/share"] button[type=submit]`)
	link := evaluate[string](b, `[...document.querySelectorAll("#main a")].map(e => e.href).find(v => v.includes("/s/"))`)
	guest := newTab(t)
	guest.Open(link)
	there := evaluate[string](guest, `document.querySelector("#run-results a.budget-link").href`)
	if !strings.HasPrefix(there, link+"?budget=") {
		t.Fatalf("on a share link the budget is at %s", there)
	}
	guest.Open(there)
	if n := evaluate[int](guest, `document.querySelectorAll("section.budget").length`); n != 1 {
		t.Errorf("a guest sees %d budgets", n)
	}
}

// The decision rule is chosen in the editor, which says what it gives away.
func TestBrowserDecisionRule(t *testing.T) {
	t.Parallel()
	p := startProgram(t, "", true)
	b := signedIn(t, p)
	b.Open(p.base + "/procedures/tarnel-6-quick/edit")
	b.Do(chromedp.Click("#about-form > summary"))
	b.Do(chromedp.WaitVisible("#decision"))
	// A supply current rests in part on a bound: in the worst case more than half passes.
	if got := b.Text("#consequences"); !strings.Contains(got, "accepts up to 50 %") || !strings.Contains(got, "accepts up to 53 %") {
		t.Errorf("what simple acceptance costs: %q", got)
	}
	b.views("decision-edit")
	b.Do(chromedp.SetValue("#about-rule", "risk"))
	b.Fill("#about-risk", "10 %")
	b.Submit(`#about-form button[value=save]`)
	if got := b.Text("#about"); !strings.Contains(got, "at most 10 %") {
		t.Errorf("after a risk was chosen: %q", got)
	}
	if got := b.Text("#consequences"); !strings.Contains(got, "gives away") || !strings.Contains(got, "accepts up to 10 %") {
		t.Errorf("what the risk costs: %q", got)
	}
	b.Open(p.base + "/procedures/tarnel-6-quick/check")
	if got := b.Text("#precision"); !strings.Contains(got, "at most 10 %") || !strings.Contains(got, "gives away") {
		t.Errorf("the check before power: %q", got)
	}
	b.views("decision-check")
}
