package keeping

import (
	"errors"
	"io"
	"strings"
	"testing"

	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// zeros is a file of a length that is never held in memory, and counts what is taken.
type zeros struct{ left, taken int64 }

func (z *zeros) Read(b []byte) (int, error) {
	if z.left == 0 {
		return 0, io.EOF
	}
	n := min(int64(len(b)), z.left)
	clear(b[:n])
	z.left, z.taken = z.left-n, z.taken+n
	return int(n), nil
}

// TestImportThatDoesNotFit: a file for which the disk has no room is refused with the
// figures, before it is taken where its size is said, on the way where it is not.
func TestImportThatDoesNotFit(t *testing.T) {
	t.Parallel()
	const mega = 1 << 20
	for name, c := range map[string]struct {
		size, says int64
		free       uint64
		err        error
		full       bool
		taken      int64 // at most
	}{
		"said":                    {40 * mega, 40 * mega, 300 * mega, nil, true, 0},
		"not said":                {40 * mega, -1, 261 * mega, nil, true, 17 * mega},
		"not said, found at last": {10 * mega, -1, 261 * mega, nil, true, 10 * mega},
		"less than the reserve":   {1, 1, 200 * mega, nil, true, 0},
		"it fits":                 {10 * mega, 10 * mega, 300 * mega, nil, false, 10 * mega},
		"it cannot be asked":      {mega, mega, 0, errors.New("no such device"), false, mega},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			k := keeper(t, Config{Room: func() (uint64, uint64, error) { return c.free, 256 * mega, c.err }})
			file := &zeros{left: c.size}
			_, err := k.Import(t.Context(), file, c.says, "Ann", false, store.ImportOptions{})
			if full := problem.CodeOf(err) == problem.Full; full != c.full || err == nil || file.taken > c.taken {
				t.Errorf("%v, %d bytes taken", err, file.taken)
			}
			if c.full && (!strings.Contains(err.Error(), "are free") || !strings.Contains(err.Error(), "268 MB of these are kept for runs")) {
				t.Errorf("the figures are not in %v", err)
			}
		})
	}
}
