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
//	go test ./server/card/firmware -run Random -everybuild -pieces 20000000 -timeout 1h -v
func TestRandom(t *testing.T) {
	t.Parallel()
	random := filepath.Join("testdata", "random.cpp")
	programs := map[string]string{"double": program(t, "random-double", append(guardedFlags(t), random, guardedCore(t))...)}
	if *everyBuild {
		args := append(guardedFlags(t), "-DCARD_REAL=float", random)
		programs["float"] = program(t, "random-float", append(args, skeleton(core...)...)...)
	}
	for kind, path := range programs {
		for seed := range 3 {
			out, err := exec.CommandContext(t.Context(), path, fmt.Sprint(seed+1), fmt.Sprint(*pieces)).CombinedOutput()
			if err != nil {
				t.Errorf("%s, seed %d: %v\n%s", kind, seed+1, err, out)
			}
			t.Logf("%s, seed %d: %s", kind, seed+1, out)
		}
	}
}
