package web

import (
	"context"
	"flag"
	"maps"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/a-h/templ"
	"ohmkeep/assets"
	"ohmkeep/server/dut"
)

var preview = flag.String("preview", "", "directory to write every sample page to, with its assets")

// samples is every page with realistic props, by file name.
func samples() map[string]templ.Component {
	nasty := doneRun()
	nasty.Record.Unit.Serial, nasty.Record.Note, nasty.Record.Device.Name, nasty.Record.Reason = hostile, hostile, hostile, hostile
	nasty.Pins[0].Name, nasty.Pins[0].Channel = hostile, hostile
	nasty.Plots[0].Title, nasty.Plots[0].X.Label, nasty.Plots[0].Series[0].Label = hostile, hostile, hostile
	results := slices.Concat(nasty.Results...)
	results[0].Name, results[0].Note = hostile, hostile
	nasty.Results = ByMeasurement(len(nasty.Results), results)
	quad, grid, dual := part48(dut.Quad), part48(dut.Grid), part48(dut.DualRow)
	pages := map[string]templ.Component{
		"home": Home(sampleHome()), "run": Run(sampleRun()), "run-done": Run(doneRun()), "run-nasty": Run(nasty),
		"run-quad": Run(runOn(quad)), "run-grid": Run(runOn(grid)), "run-48": Run(runOn(dual)), "shared": Run(sharedRun()),
		"devices": Devices(sampleDevices()), "device": Device(sampleDevice()), "procedure": Procedure(sampleProcedurePage()), "check": Check(sampleCheck()), "check-ask": Check(sampleAsk()),
		"bench": Bench(sampleBenchPage()), "runs": Runs(sampleRuns()), "lot": Lot(sampleLot()), "lot-none": Lot(LotProps{Page: samplePage("/runs", "Lots"), Pick: Form{ID: "pick"}}),
		"manual": Manual(sampleManual()), "manual-empty": Manual(ManualProps{Page: samplePage("/manual", "Manual"), Form: Form{ID: "manual"}, Devices: []Option{{"", "choose", ""}}}),
		"sign-in": SignIn(SignInProps{Page: Page{Title: "Sign in", Public: true}, Reason: "This key has been used already."}),
		"about":   About(AboutProps{Page: samplePage("/about", "About"), Version: "Version 0.1"}),
		"health": Health(HealthProps{Page: samplePage("/about", "State of this server"), Version: "Version 0.1", At: time.Date(2030, 1, 2, 3, 4, 5, 0, time.UTC), Facts: []HealthFact{
			{Title: "Database", Level: "good", Words: "It answers."},
			{Title: "Disk", Level: "attention", Words: "900 MB free, room for 5 hours of measuring at the present rate of 190 MB an hour.", Remedy: `a < b & "c"`},
			{Title: "What is kept", Level: "trouble", Words: "Damaged: 3 found by the check, first <run>.", Remedy: "Make a copy of the database file."},
		}}),
		"error": Error(ErrorProps{Page: samplePage("", "Not found"), Status: 404, What: "There is no run under this address", Advice: "It may have been deleted."}),
	}
	maps.Copy(pages, peopleSamples())
	maps.Copy(pages, dataSamples())
	maps.Copy(pages, benchSamples())
	maps.Copy(pages, cardSamples())
	return pages
}

func render(t testing.TB, c templ.Component) string {
	t.Helper()
	var b strings.Builder
	if err := c.Render(context.Background(), &b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

var (
	inlineStyle  = regexp.MustCompile(`<[^>]*\sstyle\s*=|<style[\s>]`)
	inlineEvent  = regexp.MustCompile(`<[^>]*\son[a-z]+\s*=\s*["']`)
	inlineScript = regexp.MustCompile(`<script(?:\s[^>]*)?>[^<]`)
	foreign      = regexp.MustCompile(`(?:src|srcset|action)\s*=\s*["'](?:https?:)?//`)
	anID         = regexp.MustCompile(`\sid="([^"]*)"`)
	described    = regexp.MustCompile(`aria-(?:describedby|labelledby)="([^"]*)"`)
)

// The policy is script-src 'self'; style-src 'self': what is inline does not run.
func TestEveryPageKeepsThePolicy(t *testing.T) {
	for name, c := range samples() {
		page := render(t, c)
		for what, re := range map[string]*regexp.Regexp{"style": inlineStyle, "event handler": inlineEvent, "script": inlineScript, "foreign address": foreign} {
			if m := re.FindString(page); m != "" {
				t.Errorf("%s has an inline %s: %.120s", name, what, m)
			}
		}
		if *preview != "" {
			writePreview(t, name, page)
		}
	}
}

func TestEveryPageHasSoundIDs(t *testing.T) {
	for name, c := range samples() {
		page := render(t, c)
		ids := map[string]bool{}
		for _, m := range anID.FindAllStringSubmatch(page, -1) {
			if ids[m[1]] {
				t.Errorf("%s: id %q is used twice", name, m[1])
			}
			ids[m[1]] = true
		}
		for _, m := range described.FindAllStringSubmatch(page, -1) {
			for _, id := range strings.Fields(m[1]) {
				if !ids[id] {
					t.Errorf("%s: %s names no element", name, m[0])
				}
			}
		}
		if n := strings.Count(page, "<h1"); n != 1 {
			t.Errorf("%s has %d first headings", name, n)
		}
		if n := strings.Count(page, "<main"); n != 1 {
			t.Errorf("%s has %d main landmarks", name, n)
		}
	}
}

func writePreview(t *testing.T, name, page string) {
	t.Helper()
	put := func(path string, body []byte) {
		full := filepath.Join(*preview, path)
		if err := os.MkdirAll(filepath.Dir(full), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(full, body, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	put(name+".html", []byte(page))
	for _, n := range assets.Names() {
		w := httptest.NewRecorder()
		assets.Handler().ServeHTTP(w, httptest.NewRequest("GET", assets.URL(n), nil))
		put(assets.URL(n), w.Body.Bytes())
	}
}

func TestNamesCannotBecomeMarkup(t *testing.T) {
	plain := strings.Count(render(t, samples()["run-done"]), "<script")
	page := render(t, samples()["run-nasty"])
	if got := strings.Count(page, "<script"); got != plain {
		t.Errorf("%d script elements, %d without hostile names", got, plain)
	}
	if !strings.Contains(page, "&lt;script&gt;") {
		t.Error("the hostile name is not on the page: the test proves nothing")
	}
}

// The parts that live frames replace keep their ids, or nothing would be updated.
func TestPartsKeepTheirIDs(t *testing.T) {
	p := sampleRun()
	page := render(t, Run(p))
	for _, id := range RunParts(&p.Record) {
		part := render(t, RunPart(id, p))
		if !regexp.MustCompile(`^\s*<[a-z]+[^>]*\sid="` + id + `"`).MatchString(part) {
			t.Errorf("%s begins %.80s", id, part)
		}
		if !strings.Contains(page, part) {
			t.Errorf("%s on the page is not the part that is sent", id)
		}
	}
	for _, id := range []string{"run-other", "run-line-x", "run-line--1", "run-results-99"} {
		if RunPart(id, p) != nil {
			t.Errorf("the unknown part %s has a component", id)
		}
	}
	for id, c := range map[string]templ.Component{PartBench: BenchStrip(p.Page.Bench), PartHomeWork: HomeWork(sampleHome()), PartManualPins: ManualPins(sampleManual()), PartManualLive: ManualLive(sampleManual())} {
		if !strings.Contains(render(t, c), `id="`+id+`"`) {
			t.Errorf("%s has lost its id", id)
		}
	}
}

// A bad entry comes back with its message beside the field and tied to it.
func TestBadEntryComesBack(t *testing.T) {
	page := render(t, samples()["manual"])
	for _, want := range []string{
		`value="-1 A"`, `aria-invalid="true"`, `aria-describedby="manual-from-error"`, `id="manual-from-error"`, `write a voltage such as 3.3 V`,
		`id="manual-hold-level-1-error"`,
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %s", want)
		}
	}
}

func TestRehearsalIsMarked(t *testing.T) {
	for name, c := range samples() {
		page := render(t, c)
		_, ofPeople := peopleSamples()[name]
		_, ofData := dataSamples()[name]
		if _, described := benchSamples()[name]; described || ofPeople || ofData || name == "sign-in" || name == "about" || name == "error" || name == "health" || name == "devices" || name == "protocol" {
			continue // these show nothing that was measured
		}
		if !strings.Contains(page, `class="stamp"`) || !strings.Contains(page, "<strong>Rehearsal.</strong>") {
			t.Errorf("%s shows rehearsed values without the mark", name)
		}
	}
}

// A shared run can be read and not changed.
func TestSharedRunHasNoForms(t *testing.T) {
	for name, p := range map[string]RunProps{"done": sharedRun(), "running": func() RunProps {
		p := sampleRun()
		p.Shared, p.Page.Public, p.Base = true, true, "/s/abc"
		return p
	}()} {
		page := render(t, Run(p))
		for _, never := range []string{"<form", "<button", `href="/devices`, `href="/runs`} {
			if strings.Contains(page, never) {
				t.Errorf("%s: the shared page has %s", name, never)
			}
		}
	}
}
