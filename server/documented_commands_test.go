package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// TestDocumentedCommandsRun holds every `go test` command of DEVELOPERS.md and
// README.md against the packages that it names: -bench NAME, -run NAME and
// -fuzz NAME must match a function that is there, and a flag must be one of go
// test's or declared by the package's tests. `go test` itself says PASS where a
// name matches nothing.
func TestDocumentedCommandsRun(t *testing.T) {
	for _, file := range []string{"../DEVELOPERS.md", "../README.md"} {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		commands := documentedCommands(string(text))
		if file == "../DEVELOPERS.md" && len(commands) < 15 {
			t.Errorf("%s: only %d commands were found", file, len(commands))
		}
		for _, c := range commands {
			for _, problem := range checkCommand(c, testsOf) {
				t.Errorf("%s: `%s`: %s", file, c, problem)
			}
		}
	}
}

var quoted = regexp.MustCompile("`([^`\n]*)`|(?m:^    (.*)$)")

// documentedCommands are the commands with go test in a document, between back
// quotes or indented, without their remarks.
func documentedCommands(text string) (out []string) {
	for _, m := range quoted.FindAllStringSubmatch(text, -1) {
		c, _, _ := strings.Cut(m[1]+m[2], " #")
		if strings.HasPrefix(c, "go test") || strings.Contains(c, " go test ") {
			out = append(out, strings.TrimSpace(c))
		}
	}
	return out
}

// goTestFlags are the flags of go test and whether each takes a word of its own.
var goTestFlags = map[string]bool{"v": false, "race": false, "short": false, "count": true, "benchtime": true, "benchmem": false, "timeout": true,
	"run": true, "bench": true, "fuzz": true, "fuzztime": true, "fuzzminimizetime": true, "cpu": true, "p": true, "parallel": true, "skip": true}

// packageTests is what the tests of a package declare.
type packageTests struct {
	tests, benchmarks, fuzzers []string
	flags                      map[string]bool
}

// checkCommand says what a go test command asks for that is not there.
func checkCommand(command string, testsOf func(dir string) (packageTests, error)) (problems []string) {
	_, rest, _ := strings.Cut(" "+command, " go test")
	words := strings.Fields(rest)
	var packages []string
	asked := map[string]string{}
	for i := 0; i < len(words); i++ {
		name, isFlag := strings.CutPrefix(words[i], "-")
		if !isFlag {
			packages = append(packages, words[i])
			continue
		}
		name, value, given := strings.Cut(strings.TrimPrefix(name, "-"), "=")
		takes, known := goTestFlags[name]
		if !given && (takes || !known) && i+1 < len(words) {
			i++
			value = words[i]
		}
		asked[name] = strings.Trim(value, `'"`)
	}
	for _, p := range packages {
		if strings.HasSuffix(p, "...") {
			continue
		}
		have, err := testsOf(p)
		if err != nil {
			return append(problems, err.Error())
		}
		if len(have.tests) == 0 {
			problems = append(problems, p+" has no test")
		}
		for name, value := range asked {
			if _, known := goTestFlags[name]; !known && !have.flags[name] {
				problems = append(problems, p+" has no flag -"+name)
			}
			among, picks := map[string][]string{"run": append(have.tests, have.fuzzers...), "bench": have.benchmarks, "fuzz": have.fuzzers}[name]
			if !picks || name == "run" && value == "xxx" {
				continue
			}
			if !matches(value, among) {
				problems = append(problems, "-"+name+" "+value+" matches nothing in "+p)
			}
		}
	}
	return problems
}

// matches reports whether the pattern of -run, -bench or -fuzz picks one of the
// functions; what follows a slash is about parts of one.
func matches(pattern string, functions []string) bool {
	top, _, _ := strings.Cut(pattern, "/")
	re, err := regexp.Compile(top)
	if err != nil {
		return false
	}
	for _, f := range functions {
		if re.MatchString(f) {
			return true
		}
	}
	return false
}

// testsOf reads the test files of a package, named from the top of the module.
func testsOf(dir string) (packageTests, error) {
	p := packageTests{flags: map[string]bool{}}
	files, err := filepath.Glob(filepath.Join("..", dir, "*_test.go"))
	if err != nil {
		return p, err
	}
	for _, file := range files {
		parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.SkipObjectResolution)
		if err != nil {
			return p, err
		}
		ast.Inspect(parsed, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.FuncDecl:
				for prefix, into := range map[string]*[]string{"Test": &p.tests, "Benchmark": &p.benchmarks, "Fuzz": &p.fuzzers} {
					if n.Recv == nil && strings.HasPrefix(n.Name.Name, prefix) {
						*into = append(*into, n.Name.Name)
					}
				}
			case *ast.CallExpr:
				sel, ok := n.Fun.(*ast.SelectorExpr)
				if pkg, is := packageOf(sel, ok); !is || pkg != "flag" {
					return true
				}
				for _, arg := range n.Args[:min(2, len(n.Args))] { // the name is first, or second after a pointer
					if lit, ok := arg.(*ast.BasicLit); ok && lit.Kind == token.STRING {
						if name, err := strconv.Unquote(lit.Value); err == nil {
							p.flags[name] = true
							break
						}
					}
				}
			}
			return true
		})
	}
	return p, nil
}

func packageOf(sel *ast.SelectorExpr, ok bool) (string, bool) {
	if !ok {
		return "", false
	}
	id, ok := sel.X.(*ast.Ident)
	if !ok {
		return "", false
	}
	return id.Name, true
}

// What the check of the documents finds.
func TestCheckCommand(t *testing.T) {
	have := func(dir string) (packageTests, error) {
		return packageTests{tests: []string{"TestOne"}, benchmarks: []string{"BenchmarkExportReadings"}, fuzzers: []string{"FuzzWords"},
			flags: map[string]bool{"growth": true}}, nil
	}
	for command, want := range map[string]int{
		"go test ./store -run xxx -bench ExportReadings -benchtime 1x": 0,
		"go test ./store -run xxx -bench CSV -benchtime 1x":            1,
		"go test ./store -run One -v":                                  0,
		"go test ./store -run One/part -growth 100000":                 0,
		"go test ./store -run Two -shrink 7":                           2,
		"OHMKEEP_KILLS=200 go test ./store -run=Words":                 0,
		"go test ./store -fuzz 'FuzzWords$' -fuzztime 10m":             0,
		"go test ./store -fuzz Messages":                               1,
		"go test ./...":                                                0,
		"go test -timeout":                                             0, // no command, a mention
	} {
		if got := checkCommand(command, have); len(got) != want {
			t.Errorf("%s: %q", command, got)
		}
	}
	text := "Run `go test ./a -run X`, or\n\n    go test ./b    # all\n\nnot `go build`.\n"
	if got := documentedCommands(text); len(got) != 2 || got[0] != "go test ./a -run X" || got[1] != "go test ./b" {
		t.Errorf("%q", got)
	}
}
