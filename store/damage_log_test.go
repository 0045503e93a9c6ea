package store_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

// keptFiles are the files of a database as a kill leaves them.
type keptFiles struct{ database, log, state []byte }

func (f *keptFiles) read(t *testing.T, path string) {
	for _, one := range []struct {
		into *[]byte
		end  string
	}{{&f.database, ""}, {&f.log, "-wal"}, {&f.state, ".state"}} {
		body, err := os.ReadFile(path + one.end)
		must(t, err)
		*one.into = body
	}
}

// killedLab is a lab whose server was killed: most of it is in the write-ahead
// log. Earlier is the same lab when it had less.
func killedLab(t *testing.T) (k *keptText, now, earlier keptFiles) {
	path := storetest.Path(t)
	s, err := store.Open(t.Context(), path, store.Options{})
	must(t, err)
	for part := range 2 {
		if part == 0 {
			must(t, s.Log(t.Context(), store.Event{By: "ann", Action: "begin", Subject: "lab"}))
			must(t, s.KeepState(t.Context(), false))
			earlier.read(t, path)
			continue
		}
		fillKept(t, s)
	}
	must(t, s.KeepState(t.Context(), false))
	k = &keptText{lines0: 1}
	k.read(t, s)
	now.read(t, path)
	must(t, s.Close())
	if len(now.log) < 100*4096 {
		t.Fatalf("the log has %d bytes", len(now.log))
	}
	return k, now, earlier
}

// TestNoDamagedLogIsPassedOver: the write-ahead log that a kill has left is
// damaged, cut short, gone, or another one; or it stands beside another database.
// Whatever is not answered as it was stored, the start or the check says so; and
// nothing is answered that was never stored.
func TestNoDamagedLogIsPassedOver(t *testing.T) { // not parallel: it sets the limit of all queries
	lab, now, earlier := killedLab(t)
	defer store.LimitQueries(30 * time.Second)()
	seed := *damageSeed
	if seed == 0 {
		seed = uint64(time.Now().UnixNano())
	}
	n := *damages / 4
	if testing.Short() {
		n = min(n, 6)
	}
	told := map[string]int{}
	if whole := (keptFiles{now.database, now.log, now.state}); lab.afterKill(t, filepath.Join(storetest.Dir(t), "whole.db"), &whole, "no damage") != "nothing was lost" {
		t.Fatal("of a log that is whole the start says something")
	}
	path := filepath.Join(storetest.Dir(t), "killed.db")
	for i := range n {
		random := rand.New(rand.NewPCG(seed, uint64(i)))
		files := keptFiles{slices.Clone(now.database), slices.Clone(now.log), now.state}
		how := spoilLog(random, &files, &earlier)
		told[lab.afterKill(t, path, &files, fmt.Sprintf("damage %d of the log (-damage-seed %d): %s", i, seed, how))]++
		if t.Failed() {
			return
		}
	}
	t.Logf("%d damages of the log, %d bytes: %v", n, len(now.log), told)
}

// spoilLog damages the log in one of the ways in which files are damaged. In every
// other one the last known state is from before most of the log was written: then
// only what stands behind the damage tells that there was more. It is not in the
// last tenth of the log, since a power cut leaves a last commit in pieces, too.
func spoilLog(random *rand.Rand, f, earlier *keptFiles) string {
	const head, frame = 32, 24 + 4096
	b := f.log
	kind, old := random.IntN(10), random.IntN(2) == 0
	if old && kind < 6 {
		f.state, b = earlier.state, b[:head+(len(b)-head)/frame*9/10*frame]
	}
	frames := (len(b) - head) / frame
	at := func(i int) []byte { return b[head+i*frame : head+(i+1)*frame] }
	switch kind {
	case 0, 1, 2:
		byteAt, bit := random.IntN(len(b)), random.IntN(8)
		b[byteAt] ^= 1 << bit
		return fmt.Sprintf("bit %d of byte %d of the log", bit, byteAt)
	case 3:
		for range 2 + random.IntN(60) {
			b[random.IntN(len(b))] ^= 1 << random.IntN(8)
		}
		return "some bits of the log"
	case 4:
		p, q := random.IntN(frames), random.IntN(frames)
		old := slices.Clone(at(p))
		copy(at(p), at(q))
		copy(at(q), old)
		return fmt.Sprintf("frames %d and %d of %d changed places", p, q, frames)
	case 5:
		p := random.IntN(frames)
		clear(at(p))
		return fmt.Sprintf("frame %d of %d is empty", p, frames)
	case 6:
		f.log = b[:random.IntN(len(b))]
		return fmt.Sprintf("the log is cut to %d of %d bytes", len(f.log), len(b))
	case 7:
		f.log = nil
		return "the log is gone"
	case 8:
		f.log = earlier.log
		return "the log is an earlier one"
	}
	f.database, f.log = earlier.database, nil
	return "the database is an earlier one, without its log"
}

// afterKill opens the files that a kill has left, as a start of the server does,
// and holds what they say against what was said. It returns what became of them.
func (k *keptText) afterKill(t *testing.T, path string, f *keptFiles, how string) string {
	must(t, os.WriteFile(path, f.database, 0o600))
	must(t, os.WriteFile(path+".state", f.state, 0o600))
	if f.log != nil {
		must(t, os.WriteFile(path+"-wal", f.log, 0o600))
	}
	defer func() { must(t, errors.Join(store.RemoveFile(path), os.Remove(path+".state"))) }()
	found, err := store.LookAt(path)
	must(t, err)
	s, err := store.Open(t.Context(), path, store.Options{})
	if err != nil {
		return "refused"
	}
	defer func() { must(t, s.Close()) }()
	notes, err := found.Compare(t.Context(), s)
	must(t, err)
	checked, err := s.Check(t.Context(), nil)
	must(t, err)
	if len(notes) == 0 {
		if unread := k.compare(t, s, how); len(unread) > 0 && len(checked.Findings) == 0 {
			t.Errorf("%s: %q cannot be read, and nobody says so", how, unread)
		}
		if len(checked.Findings) > 0 {
			return "named by the check"
		}
		return "nothing was lost"
	}
	k.earlierStates(t, s, how)
	return "said at the start"
}

// earlierStates holds what is there of a lab that has lost its last commits: runs
// are there as they came, each whole or at an earlier moment of its own.
func (k *keptText) earlierStates(t *testing.T, s *store.Store, how string) {
	ids, lost := k.ids(), ""
	for _, id := range ids {
		got, err := runText(t.Context(), s, id)
		switch {
		case err == nil && got == k.runs[id]:
			if lost != "" {
				t.Errorf("%s: %s is there, and %s, which was stored before it, is not", how, id, lost)
			}
			continue
		case err == nil:
			if r, err := s.GetRun(t.Context(), id); err != nil || r.Note != "" {
				t.Errorf("%s: %s is shown as good, with its note, which came last: %v\n%.2000s\nwas\n%.2000s", how, id, err, got, k.runs[id])
			}
		}
		lost = id
	}
	_ = documents(t.Context(), s, func(name, got string, err error) {
		if err != nil || got == k.docs[name] {
			return
		}
		for of, was := range k.docs {
			if (of == name || strings.HasPrefix(name, "device 0")) && earlierRevision(got) == earlierRevision(was) {
				return
			}
		}
		t.Errorf("%s: %s is shown as good: %s", how, name, got)
	})
}

// earlierRevision is the text of a document without the number of the latest.
func earlierRevision(text string) string {
	before, after, _ := strings.Cut(text, `"Latest":`)
	if at := strings.IndexByte(after, ','); at > 0 {
		return before + after[at:]
	}
	return before
}
