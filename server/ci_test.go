package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestCIRunsWhatItNames: each exhaustive count of .ci/run is of a test that
// its package has, by a flag that the package has, and stands in DEVELOPERS.md.
// go test passes where a name matches nothing.
func TestCIRunsWhatItNames(t *testing.T) {
	script, err := os.ReadFile("../.ci/run")
	if err != nil {
		t.Fatal(err)
	}
	developers, err := os.ReadFile("../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	counts := regexp.MustCompile(`(?m)^counted (\./\S+) -run '\^(\w+)\$' -(\w+)`).FindAllStringSubmatch(string(script), -1)
	if len(counts) < 8 || len(counts) != strings.Count(string(script), "\ncounted ./") {
		t.Fatalf("%d counts are understood of those in .ci/run", len(counts))
	}
	for _, c := range counts {
		pkg, name, flag := c[1], c[2], c[3]
		text := testFiles(t, filepath.Join("..", pkg))
		if !strings.Contains(text, "\nfunc "+name+"(t *testing.T)") {
			t.Errorf("%s has no %s", pkg, name)
		}
		if !regexp.MustCompile(`flag\.\w+\("` + flag + `"`).MatchString(text) {
			t.Errorf("%s has no flag %s", pkg, flag)
		}
		if !strings.Contains(string(developers), "| `"+pkg+"` | `-"+flag+"` |") || !strings.Contains(string(developers), "`"+name+"`") {
			t.Errorf("DEVELOPERS.md does not list -%s of %s for %s", flag, pkg, name)
		}
	}
}

// testFiles is the text of a package's test files.
func testFiles(t *testing.T, dir string) string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*_test.go"))
	if err != nil || len(names) == 0 {
		t.Fatalf("no tests in %s (%v)", dir, err)
	}
	var b strings.Builder
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		b.Write(text)
	}
	return b.String()
}
