package store_test

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"testing"

	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

const crashDB, crashRun = "OHMKEEP_TEST_CRASH_DB", "OHMKEEP_TEST_CRASH_RUN"

// TestMain is also the program that the crash test kills.
func TestMain(m *testing.M) {
	if path := os.Getenv(crashDB); path != "" {
		fmt.Fprintln(os.Stderr, appendForEver(path, os.Getenv(crashRun)))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// appendForEver appends to a new run and prints how many readings are
// committed after each commit, until it is killed.
func appendForEver(path, id string) error {
	ctx := context.Background()
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		return err
	}
	if err := s.Begin(ctx, record(id, id)); err != nil {
		return err
	}
	for n := 0; ; {
		size := 1 + rand.IntN(40)
		if rand.IntN(10) == 0 {
			size = 3000
		}
		b := batch(0, readings(n, size, 2))
		n += size
		b.Results = []procedure.Result{result(0, "count", 1, float64(n))}
		if err := s.Append(ctx, id, b); err != nil {
			return err
		}
		if _, err := fmt.Println(n); err != nil {
			return err
		}
	}
}

// A reading that was acknowledged survives the death of the process at any
// moment, and the file stays whole.
func TestKilledProcessLosesNothing(t *testing.T) {
	t.Parallel()
	path := storetest.Path(t)
	for round := range 20 {
		id := fmt.Sprintf("run-%d", round)
		printed := killAfter(t, path, id, 1+rand.IntN(60))
		s, err := store.Open(t.Context(), path, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Integrity(t.Context()); err != nil {
			t.Fatal(err)
		}
		if n, err := s.MarkInterrupted(t.Context()); n != 1 || err != nil {
			t.Fatalf("%d runs interrupted, %v", n, err)
		}
		checkSurvivor(t, s, id, printed)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// killAfter kills the process after it has printed some lines, which may be in
// the midst of its next commit, and returns the last number that it printed.
func killAfter(t *testing.T, path, id string, lines int) (printed int) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), crashDB+"="+path, crashRun+"="+id)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	in := bufio.NewScanner(out)
	for n := 0; in.Scan(); n++ { // what it printed before it died counts
		if _, err := fmt.Sscan(in.Text(), &printed); err != nil {
			t.Errorf("printed %q", in.Text())
		}
		if n == lines {
			if err := cmd.Process.Kill(); err != nil {
				t.Error(err)
			}
		}
	}
	if err := cmd.Wait(); err == nil || cmd.ProcessState.Exited() {
		t.Fatalf("the process ended by itself: %v", cmd.ProcessState)
	}
	return printed
}

func checkSurvivor(t *testing.T, s *store.Store, id string, printed int) {
	t.Helper()
	got := readAll(t, s, id, 0, 0)
	if len(got) < printed {
		t.Errorf("%d readings, but %d were acknowledged", len(got), printed)
	}
	if !slices.Equal(got, readings(0, len(got), 2)) {
		t.Error("the readings are not those that were given")
	}
	r, err := s.GetRun(t.Context(), id)
	if err != nil || r.Status != procedure.Interrupted || r.Readings != int64(len(got)) {
		t.Errorf("run: %+v %v", r, err)
	}
	results, err := s.Results(t.Context(), id)
	if err != nil || len(results) != 1 || results[0].Value != float64(len(got)) {
		t.Errorf("a batch was torn: %d readings, results %+v, %v", len(got), results, err)
	}
}
