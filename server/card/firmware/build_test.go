package firmware

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// Warnings are errors, and the skeleton gets along without what a small
// processor's tools often lack.
var strict = []string{"-Wall", "-Wextra", "-Wshadow", "-Werror", "-fno-exceptions", "-fno-rtti"}

// core are the sources without the example's hardware and main.
var core = []string{"card", "commands", "list", "number", "parse", "paths", "reading", "source", "status"}

func skeleton(names ...string) []string {
	paths := make([]string, len(names))
	for i, n := range names {
		paths[i] = filepath.Join("skeleton", n+".cpp")
	}
	return paths
}

// compiler finds g++. Without it the test is skipped, but not where CI says
// that everything must be there.
func compiler(t testing.TB) string {
	t.Helper()
	path, err := exec.LookPath("g++")
	switch {
	case err == nil:
		return path
	case os.Getenv("CI") == "true":
		t.Fatal("g++ is missing: the firmware skeleton cannot be compiled")
	default:
		t.Skip("g++ is missing: the firmware skeleton is not compiled")
	}
	return ""
}

// compile runs g++, which must be silent.
func compile(t testing.TB, args ...string) {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), compiler(t), args...).CombinedOutput()
	if err != nil || len(out) > 0 {
		t.Fatalf("g++ %s: %v\n%s", strings.Join(args, " "), err, out)
	}
}

// built are the programs that several tests use, by name, in a folder that
// TestMain removes.
var built struct {
	folder string
	locks  sync.Map // of each name, *sync.Mutex: nobody waits for another program's compiler
	done   sync.Map // of each name, once it is there
}

// program compiles a program once for all tests.
func program(t testing.TB, name string, args ...string) string {
	t.Helper()
	lock, _ := built.locks.LoadOrStore(name, new(sync.Mutex))
	lock.(*sync.Mutex).Lock()
	defer lock.(*sync.Mutex).Unlock()
	path := filepath.Join(built.folder, name)
	if _, done := built.done.Load(name); !done {
		compile(t, append(append([]string{"-o", path, "-Iskeleton"}, strict...), args...)...)
		built.done.Store(name, true)
	}
	return path
}

// atOnce is how many tests of this package go on at once: most wait for the
// watchdog of a card in real time, and the compiler works meanwhile.
const atOnce = "16"

func TestMain(m *testing.M) {
	if err := flag.Set("test.parallel", atOnce); err != nil { // the command line comes after and wins
		panic(err)
	}
	folder, err := os.MkdirTemp("", "firmware")
	if err != nil {
		panic(err)
	}
	built.folder = folder
	code := m.Run()
	_ = os.RemoveAll(folder) // what is left lies in the folder for temporary files
	os.Exit(code)
}

// watchdog is that of the cards whose watchdog is what a test is about: short,
// so that it can be waited for, and long against what a busy machine holds a
// process up.
const watchdog = 400 * time.Millisecond

// card are the arguments for the example's card, which tells what it does.
func card(flags ...string) []string {
	flags = append(flags, "-std=c++11", "-O1", filepath.Join("testdata", "telling_hardware.cpp"))
	return append(flags, skeleton(append(core, "main_posix")...)...)
}

// plain is the card as someone would build it to try it.
func plain(t testing.TB) string {
	t.Helper()
	return program(t, "plain", card()...)
}

// sanitizers are the flags that have the compiler's checks in a program; none
// where they are missing.
func sanitizers(t testing.TB) []string {
	t.Helper()
	flags := []string{"-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"}
	probe := filepath.Join(t.TempDir(), "probe.cpp")
	if err := os.WriteFile(probe, []byte("int main() { return 0; }\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	args := append(append([]string{"-o", filepath.Join(t.TempDir(), "probe")}, flags...), probe)
	out, err := exec.CommandContext(t.Context(), compiler(t), args...).CombinedOutput()
	switch {
	case err == nil:
		return flags
	case os.Getenv("CI") == "true":
		t.Fatalf("no sanitizers: %v\n%s", err, out)
	default:
		t.Logf("no sanitizers here, it runs without: %v", err)
	}
	return nil
}

// everyBuild has the skeleton built with each type of numbers and in each standard of
// the language wherever one build shows what a test is about: the compiler takes most
// of the time of this package.
var everyBuild = flag.Bool("everybuild", false, "TestRandom with both types of numbers, TestCompiles in each standard")

// guardedFlags are those of what runs with sanitizers.
func guardedFlags(t testing.TB) []string { return append(sanitizers(t), "-std=c++11", "-O1") }

// guardedCore is the skeleton with sanitizers, compiled once for all that is made of it.
func guardedCore(t testing.TB) string {
	t.Helper()
	args := append(guardedFlags(t), "-r", "-nostdlib")
	return program(t, "guarded.o", append(args, skeleton(core...)...)...)
}

// guarded is the card with sanitizers.
func guarded(t testing.TB) string {
	t.Helper()
	args := append(guardedFlags(t), filepath.Join("testdata", "telling_hardware.cpp"), guardedCore(t))
	return program(t, "guarded", append(args, skeleton("main_posix")...)...)
}

// TestCompiles holds that every source compiles on its own, in the oldest and
// a newer language, with both types of numbers, without the host's C++ library
// behind it: with -everybuild one by one, otherwise what the other tests' builds leave
// out.
func TestCompiles(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("compiles everything several times")
	}
	builds := []string{"-std=c++14 -Os -DCARD_REAL=float -Wdouble-promotion -Wconversion -fsingle-precision-constant -ffreestanding"}
	if *everyBuild {
		builds = append(builds, "-std=c++11 -O2 -ffreestanding", "-std=c++14 -Os -Wconversion",
			"-std=c++11 -Os -DCARD_REAL=float -Wdouble-promotion -Wconversion -fsingle-precision-constant")
	}
	for _, flags := range builds {
		args := append([]string{"-r", "-nostdlib", "-o", filepath.Join(t.TempDir(), "all.o")}, strict...)
		compile(t, append(append(args, strings.Fields(flags)...), skeleton(core...)...)...)
	}
}

// allowed are the functions of the C library that the skeleton may need, and
// what the compiler puts in itself.
var allowed = map[string]bool{
	"memcpy": true, "memmove": true, "memset": true, "memcmp": true, "strlen": true, "strchr": true,
	"frexp": true, "ldexp": true, "frexpf": true, "ldexpf": true, "scalbn": true, "scalbnf": true,
	"__stack_chk_fail": true, "_GLOBAL_OFFSET_TABLE_": true,
}

// TestNeeds holds that the skeleton needs nothing but its hardware and a
// handful of functions: no memory from the heap, no formatted output, no
// exceptions.
func TestNeeds(t *testing.T) {
	t.Parallel()
	nm, err := exec.LookPath("nm")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("nm is missing")
		}
		t.Skip("nm is missing: what the skeleton needs is not looked at")
	}
	all := filepath.Join(t.TempDir(), "all.o")
	args := append([]string{"-std=c++11", "-Os", "-r", "-nostdlib", "-o", all}, strict...)
	compile(t, append(args, skeleton(core...)...)...)
	out, err := exec.CommandContext(t.Context(), nm, "--undefined-only", "--demangle", all).Output()
	if err != nil {
		t.Fatal(err)
	}
	hardware := 0
	for line := range strings.Lines(string(out)) {
		f := strings.Fields(line)
		name, _, _ := strings.Cut(strings.Join(f[1:], " "), "(")
		switch {
		case strings.HasPrefix(name, "hw_"):
			hardware++
		case !allowed[name]:
			t.Errorf("the skeleton needs %s", name)
		}
	}
	if hardware != 7 { // six functions and the table of facts
		t.Errorf("the hardware is behind %d names, not six functions and the facts:\n%s", hardware, out)
	}
}

// TestSizes holds that a card needs no more memory than the README says.
func TestSizes(t *testing.T) {
	t.Parallel()
	for kind, most := range map[string]int{"double": 5300, "float": 5100} {
		path := program(t, "sizes-"+kind, "-std=c++11", "-DCARD_REAL="+kind, filepath.Join("testdata", "sizes.cpp"))
		out, err := exec.CommandContext(t.Context(), path).Output()
		if err != nil {
			t.Fatal(err)
		}
		card, numbers := 0, 0
		if _, err := fmt.Sscanf(string(out), "Card %d bytes, real %d bytes", &card, &numbers); err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: sizeof(Card) is %d bytes, sizeof(real) %d", kind, card, numbers)
		if card > most {
			t.Errorf("%s: a card has %d bytes, more than the %d of the README", kind, card, most)
		}
	}
}
