package firmware

import (
	"flag"
	"fmt"
	"os/exec"
	"path/filepath"
	"testing"
)

var pieces = flag.Int("pieces", 2_500, "pieces that TestRandom feeds to each card, with each of three seeds")

// TestRandom feeds cards with random messages, pieces of them and bytes, in
// simulated time and with the compiler's checks. Whatever comes, no output is
// switched on without a limit or beyond its range, no two paths of a
// multiplexer are closed, and after the watchdog's time of silence everything
// is off and open.
//
//	go test ./server/card/firmware -run Random -pieces 20000000 -timeout 1h -v
func TestRandom(t *testing.T) {
	t.Parallel()
	for _, kind := range []string{"double", "float"} {
		if kind == "float" && testing.Short() {
			continue
		}
		args := append(sanitizers(t), "-std=c++11", "-O1", "-DCARD_REAL="+kind, filepath.Join("testdata", "random.cpp"))
		path := program(t, "random-"+kind, append(args, skeleton(core...)...)...)
		for seed := range 3 {
			out, err := exec.CommandContext(t.Context(), path, fmt.Sprint(seed+1), fmt.Sprint(*pieces)).CombinedOutput()
			if err != nil {
				t.Errorf("%s, seed %d: %v\n%s", kind, seed+1, err, out)
			}
			t.Logf("%s, seed %d: %s", kind, seed+1, out)
		}
	}
}
