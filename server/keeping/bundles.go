package keeping

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"

	"ohmkeep/server/bundle"
	"ohmkeep/server/problem"
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
// database, and brings it in as a report; dry, it only says what that would do.
// One is brought in at a time: Conflict.
func (k *Keeper) Import(ctx context.Context, body io.Reader, by string, dry bool, o store.ImportOptions) (out *store.Imported, err error) {
	if !k.importing.TryLock() {
		return nil, problem.New(problem.Conflict, "Another file is being imported. Try again when it is done.")
	}
	defer k.importing.Unlock()
	file, err := spool(filepath.Dir(k.Store.Path()), body)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
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
func spool(dir string, body io.Reader) (_ *os.File, err error) {
	file, err := os.CreateTemp(dir, "import-*.part")
	if err != nil {
		return nil, err
	}
	if err = os.Remove(file.Name()); err == nil {
		var n int64
		n, err = io.Copy(file, io.LimitReader(body, bundle.FileMost+1))
		if err == nil && n > bundle.FileMost {
			err = problem.New(problem.TooLarge, "The file is larger than any bundle may be.")
		}
	}
	if err == nil {
		_, err = file.Seek(0, io.SeekStart)
	}
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return file, nil
}
