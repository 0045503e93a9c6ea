package keeping

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"ohmkeep/server/bundle"
	"ohmkeep/server/problem"
	"ohmkeep/server/quantity"
	"ohmkeep/server/turn"
	"ohmkeep/store"
)

// Export writes what is chosen as a bundle, and a line into the log once all of
// it was taken.
func (k *Keeper) Export(ctx context.Context, w io.Writer, c store.Choice, from store.BundleSource) (*store.Exported, error) {
	out, err := k.Store.Export(ctx, w, c, from)
	if err != nil {
		return nil, err
	}
	return out, k.Store.LogExport(context.WithoutCancel(ctx), from, out)
}

// Import takes a bundle from a client, whole, into a file of its own beside the
// database, and brings it in as a report; dry, it only says what that would do. size
// is how many bytes it says that it has, below 0 where it does not. One is brought in
// at a time: Conflict. Full: the disk has no room for it.
func (k *Keeper) Import(ctx context.Context, body io.Reader, size int64, by string, dry bool, o store.ImportOptions) (out *store.Imported, err error) {
	if !k.importing.TryLock() {
		return nil, problem.New(problem.Conflict, "Another file is being imported. Try again when it is done.")
	}
	defer k.importing.Unlock()
	if err := k.roomFor(size, importTimes); err != nil { // before any of it is taken
		return nil, err
	}
	file, n, err := spool(filepath.Dir(k.Store.Path()), &spooled{body: body, keeper: k})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	if err := k.roomFor(n, importTimes-1); err != nil { // it is there, and may have said nothing of its size
		return nil, err
	}
	err = turn.Do(ctx, func(ctx context.Context) (err error) {
		if dry {
			out, err = k.Store.Look(ctx, file, o)
		} else {
			out, err = k.Store.Import(ctx, file, by, o)
		}
		return err
	})
	if err == nil && !dry && out.Changes() {
		k.Log.Info("a bundle was imported", "from", out.Server, "sum", out.Sum, "what", out.Words())
	}
	return out, err
}

// spool copies what a client sends into a file without a name, which goes with
// it, however the program ends.
func spool(dir string, body io.Reader) (_ *os.File, n int64, err error) {
	file, err := os.CreateTemp(dir, "import-*.part")
	if err != nil {
		return nil, 0, err
	}
	if err = os.Remove(file.Name()); err == nil {
		n, err = io.Copy(file, io.LimitReader(body, bundle.FileMost+1))
		if err == nil && n > bundle.FileMost {
			err = problem.New(problem.TooLarge, "The file is larger than any bundle may be.")
		}
	}
	if err == nil {
		_, err = file.Seek(0, io.SeekStart)
	}
	if err != nil {
		return nil, 0, errors.Join(err, file.Close())
	}
	return file, n, nil
}

// importTimes is how much room an import takes, in sizes of its file: the file itself,
// and what is stored of it, which passes through the write-ahead log. Readings are in
// the file as they are stored; common practice, not exact.
const importTimes = 3

// roomFor refuses with the figures what the disk has no room for: so many times so many
// bytes, beside what is kept for the run at work.
func (k *Keeper) roomFor(size int64, times uint64) error {
	if k.Room == nil || size < 0 {
		return nil
	}
	free, reserve, err := k.Room()
	if err != nil {
		return nil // it cannot be asked: the health page says so
	}
	if need := uint64(size) * times; free < reserve || free-reserve < need {
		return problem.New(problem.Full, fmt.Sprintf("There is no room on the disk for this file: bringing it in takes about %s, %s are free, and %s of these are kept for runs. Nothing was imported.",
			quantity.Bytes(float64(need)), quantity.Bytes(float64(free)), quantity.Bytes(float64(reserve))))
	}
	return nil
}

// spooled is what a client sends, with a look at the disk every so often: it may not
// say how much comes.
type spooled struct {
	body   io.Reader
	keeper *Keeper
	n      int64 // since the last look
}

// lookEvery is how many bytes are taken between two looks at the disk.
const lookEvery = 16 << 20

func (s *spooled) Read(b []byte) (int, error) {
	if s.n >= lookEvery {
		s.n = 0
		if err := s.keeper.roomFor(lookEvery, 1); err != nil {
			return 0, err
		}
	}
	n, err := s.body.Read(b)
	s.n += int64(n)
	return n, err
}
