package main

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// arrows says which packages of Ohmkeep each package may import: the picture
// in DEVELOPERS.md as data. A package that is not listed may not exist.
var arrows = map[string][]string{
	"server/dut":               {"server/quantity"},
	"server/cause":             {"server/check", "server/procedure", "server/bench", "server/derive", "server/dut", "server/quantity"},
	"server/quantity":          {},
	"server/problem":           {"server/dut", "server/quantity"}, // every package may import it
	"server/bench":             {"server/budget", "server/dut", "server/quantity"},
	"server/budget":            {},
	"server/check":             {"server/bench", "server/budget", "server/dut", "server/quantity"},
	"server/calibrate":         {"server/check", "server/bench"},
	"server/standing":          {"server/check", "server/procedure", "server/bench"},
	"server/derive":            {"server/budget", "server/dut", "server/quantity"},
	"server/procedure":         {"server/bench", "server/derive", "server/budget", "server/dut", "server/quantity"},
	"server/apidoc":            {"server/cardinfo", "server/procedure", "server/bench", "server/derive", "server/dut"},
	"server/form":              {"server/procedure", "server/bench", "server/derive", "server/dut", "server/quantity"},
	"server/run":               {"server/procedure", "server/bench", "server/derive", "server/budget", "server/dut", "server/quantity"},
	"server/lot":               {"server/procedure", "server/derive", "server/budget", "server/quantity"},
	"server/lab":               {"store", "server/calibrate", "server/standing", "server/check", "server/live", "server/cardinfo", "server/run", "server/procedure", "server/bench", "server/derive", "server/dut", "server/quantity"},
	"server/people":            {"store", "server/dut"},
	"server/keeping":           {"store", "server/bundle", "server/turn", "server/quantity"},
	"server/turn":              {},
	"server/bundle":            {},
	"server/edge":              {},
	"server/signon":            {"store"},
	"server/signon/provider":   {}, // for tests alone
	"server/health":            {"server/quantity"},
	"server/live":              {},
	"server/liverun":           {"store", "server/live", "server/turn", "server/run", "server/procedure", "server/bench", "server/derive", "server/budget", "server/dut", "server/quantity"},
	"server/cardinfo":          {},
	"server/card/scpi":         {},
	"server/card/wire":         {"server/cardinfo", "server/bench"},
	"server/card":              {"server/card/conformance", "server/card/protocol", "server/card/scpi", "server/card/wire", "server/cardinfo", "server/bench", "server/dut", "server/quantity"},
	"server/card/protocol":     {"server/card/scpi", "server/cardinfo"},
	"server/card/emulator":     {"server/card/protocol", "server/card/scpi", "server/card/wire", "server/cardinfo", "server/bench", "server/dut", "server/quantity"},
	"server/card/conformance":  {"server/card/protocol", "server/card/scpi", "server/card/wire", "server/cardinfo", "server/bench"},
	"server/card/firmware":     {},
	"server/card/endtoend":     {}, // tests alone
	"server/testkit":           {}, // for tests alone
	"server/rehearsal":         {"server/rehearsal/circuit", "server/rehearsal/model", "server/bench", "server/dut", "server/quantity"},
	"server/rehearsal/circuit": {},
	"server/rehearsal/model":   {"server/rehearsal/circuit", "server/bench"},
	"server/demo":              {"server/procedure", "server/bench", "server/derive", "server/dut", "server/quantity"},
	"store":                    {"migrations", "server/check", "server/standing", "server/bundle", "server/lot", "server/turn", "server/cardinfo", "server/procedure", "server/bench", "server/derive", "server/dut", "server/quantity"},
	"store/storetest":          {"store", "server/procedure"},
	"migrations":               {},
	"assets":                   {},
	"web":                      {"assets", "server/cause", "server/calibrate", "server/check", "server/standing", "server/cardinfo", "server/procedure", "server/bench", "server/derive", "server/budget", "server/dut", "server/quantity"},
	"web/browsertest":          {},
	"server/routes": {"server/cause", "server/edge", "server/calibrate", "server/check", "server/standing", "server/signon", "server/health", "server/budget", "server/keeping", "server/lab", "server/people", "server/apidoc", "server/form", "web", "store", "assets", "server/live", "server/liverun", "server/lot", "server/turn", "server/cardinfo", "server/run", "server/procedure",
		"server/bench", "server/derive", "server/dut", "server/quantity"},
	"server": {"server/standing", "server/edge", "server/signon", "server/health", "server/keeping", "server/lab", "server/people", "server/card", "server/card/conformance", "server/card/emulator", "server/card/firmware", "server/card/protocol", "server/card/wire", "server/cardinfo",
		"web", "store", "assets", "server/routes", "server/demo", "server/live", "server/turn", "server/liverun", "server/run", "server/rehearsal",
		"server/rehearsal/model", "server/procedure", "server/bench", "server/derive", "server/dut", "server/quantity"},
}

// notHere says which packages of the standard library a package must not know:
// one that is pure knows no transport, no database and no files.
var notHere = map[string][]string{
	"server/apidoc": {"database/sql", "os"},
	"server/form":   {"net/http", "database/sql", "os"},
	"server/people": {"net/http", "net/url", "html", "html/template", "database/sql", "os"},
	"server/lab":    {"net/url", "html", "html/template", "database/sql", "os"},
}

// onlyIn says which packages alone may know what requests and pages are made
// of: what people do and everything below must be usable without them.
var onlyIn = map[string][]string{
	"net/http":             {"server", "server/edge", "server/signon", "server/signon/provider", "server/routes", "server/apidoc", "server/live", "assets"},
	"github.com/a-h/templ": {"server/routes", "web"},
}

func TestArrows(t *testing.T) {
	const module = "ohmkeep/"
	cmd := exec.CommandContext(t.Context(), "go", "list", "-json=ImportPath,Imports", "ohmkeep/...")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	dec := json.NewDecoder(strings.NewReader(string(out)))
	seen := 0
	for {
		var p struct {
			ImportPath string
			Imports    []string
		}
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		from := strings.TrimPrefix(p.ImportPath, module)
		allowed, known := arrows[from]
		if !known {
			t.Errorf("package %s is not in the picture: add it to arrows and DEVELOPERS.md", from)
			continue
		}
		seen++
		for _, imported := range p.Imports {
			to, ours := strings.CutPrefix(imported, module)
			if ours && to != "server/problem" && !slices.Contains(allowed, to) {
				t.Errorf("%s must not import %s", from, to)
			}
			only, bound := onlyIn[imported]
			if bound && !slices.Contains(only, from) || slices.Contains(notHere[from], imported) {
				t.Errorf("%s must not import %s", from, imported)
			}
		}
	}
	if seen < 10 {
		t.Errorf("only %d packages seen", seen)
	}
}
