package lab

import (
	"fmt"

	"ohmkeep/server/problem"
)

// Rules that devices, pin maps, procedures and benches share: which revision is
// brought back, and which key is free.

// undone returns the number of the revision that an undo goes back to; rev is
// the one that is undone. Conflict where that is the first one.
func undone(rev int) (int, error) {
	if rev < 2 {
		return 0, problem.New(problem.Conflict, "There is no edit to undo: this is the first revision.")
	}
	return rev - 1, nil
}

// named refuses a revision to bring back that nobody has named, since 0 would
// be read as the latest.
func named(old int) error {
	if old < 1 {
		return problem.New(problem.Invalid, "Name the revision to bring back.")
	}
	return nil
}

// mayEdit refuses the edit of something that was deleted meanwhile, unless
// whoever edits wants it back.
func mayEdit(what string, removed, revive bool) error {
	if removed && !revive {
		return problem.New(problem.Conflict, "the "+what+" was deleted")
	}
	return nil
}

// freeKey returns key, or key with the first number behind it that is neither
// reserved nor taken. A key that was ever taken is not free: old pages point at
// it. get looks a document up, and fails with NotFound where there never was
// one. many is what to call too many of them.
func freeKey(key, many string, reserved func(key string) bool, get func(key string) error) (string, error) {
	for n := 1; n < 1000; n++ {
		try := key
		if n > 1 {
			try = fmt.Sprintf("%s-%d", key, n)
		}
		err := get(try)
		if problem.CodeOf(err) == problem.NotFound && !reserved(try) {
			return try, nil
		}
		if err != nil && problem.CodeOf(err) != problem.NotFound {
			return "", err
		}
	}
	return "", problem.New(problem.Conflict, "Too many "+many+" are called alike: choose another name.")
}
