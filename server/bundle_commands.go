package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"ohmkeep/store"
)

// exportCommand is the subcommand that writes everything, or what is chosen, into
// a file for another server, also while the server runs.
func exportCommand(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := newFlags("ohmkeep export", stderr)
	data := dataFlag(fs)
	to := fs.String("to", "", "file to write; there must be none of this name")
	var c store.Choice
	several := func(name, what string, into *[]string) {
		fs.Func(name, what+"; may be given more than once", func(text string) error {
			*into = append(*into, text)
			return nil
		})
	}
	several("device", "key of a device, which comes with its procedures and pin maps", &c.Devices)
	several("procedure", "key of a procedure, which comes with its device", &c.Procedures)
	several("bench", "key of a bench", &c.Benches)
	several("run", "number of a run, which comes with all that it was made with", &c.Runs)
	lot := fs.String("lot", "", "name of a lot: all its runs")
	if err := parse(fs, args); err != nil {
		return err
	}
	if *to == "" {
		return usageError{errors.New("ohmkeep export: say where to with -to FILE")}
	}
	if *lot != "" {
		c.History = &store.Filter{Lot: *lot}
	}
	s, dir, err := openData(ctx, *data)
	older := errors.Is(err, store.ErrOlder) // its log gets no line
	if older {
		s, dir, err = openToRead(ctx, *data, stdout)
	}
	if err != nil {
		return err
	}
	from := store.BundleSource{Server: serverName(dir), By: store.Host, Program: versionText(), Choice: c.Words()}
	c.All = c.Empty()
	e, err := exportTo(ctx, s, *to, c, from)
	if err == nil && !older {
		err = s.LogExport(ctx, from, e)
	}
	if err := errors.Join(err, s.Close()); err != nil {
		return err
	}
	_, err = fmt.Fprintf(stdout, "%s: %d documents, %d runs with %d results and %d readings\nSHA-256 of its content: %s\n", *to, e.Documents, e.Runs, e.Results, e.Readings, e.Sum)
	for _, l := range e.LeftOut {
		if err == nil {
			_, err = fmt.Fprintf(stdout, "left out: %s: %s\n", l.What, l.Why)
		}
	}
	return err
}

// exportTo writes a bundle to a new file, which gets its name once it is whole.
func exportTo(ctx context.Context, s *store.Store, path string, c store.Choice, from store.BundleSource) (_ *store.Exported, err error) {
	if _, err := os.Lstat(path); err == nil {
		return nil, fmt.Errorf("%s exists already", path)
	}
	file, err := os.OpenFile(path+".part", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return nil, err
	}
	e, err := s.Export(ctx, file, c, from)
	if err == nil {
		err = file.Sync()
	}
	if err = errors.Join(err, file.Close()); err != nil {
		return nil, errors.Join(err, os.Remove(path+".part"))
	}
	return e, os.Rename(path+".part", path)
}

// serverName is what a server is called in files for others: its address in
// links, or the machine's name.
func serverName(dir string) string {
	if address, err := keptAddress(dir); err == nil && address != "" {
		return address
	}
	if name, err := os.Hostname(); err == nil && name != "" {
		return name
	}
	return "a server without a name"
}

// importCommand is the subcommand that brings a file of another server in, also
// while the server runs.
func importCommand(ctx context.Context, args []string, stdout, stderr io.Writer) (err error) {
	fs := newFlags("ohmkeep import", stderr)
	data := dataFlag(fs)
	from := fs.String("from", "", "file to import, which ohmkeep export or a page of another server has made")
	dry := fs.Bool("dry", false, "only say what would be imported")
	var o store.ImportOptions
	fs.BoolVar(&o.Back, "back", false, "bring back what was deleted here and is in the file")
	if err := parse(fs, args); err != nil {
		return err
	}
	if *from == "" {
		return usageError{errors.New("ohmkeep import: say what with -from FILE")}
	}
	file, err := os.Open(*from)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	open := func() (*store.Store, string, error) { return openData(ctx, *data) }
	if *dry {
		open = func() (*store.Store, string, error) { return openToRead(ctx, *data, stdout) }
	}
	s, _, err := open()
	if err != nil {
		return err
	}
	var got *store.Imported
	if *dry {
		got, err = s.Look(ctx, file, o)
	} else {
		got, err = s.Import(ctx, file, store.Host, o)
	}
	if err := errors.Join(err, s.Close()); err != nil {
		return fmt.Errorf("%s: %w", filepath.Base(*from), err)
	}
	return printImported(stdout, got)
}

// printImported says line for line what became of what a file holds.
func printImported(w io.Writer, r *store.Imported) (err error) {
	say := func(format string, args ...any) {
		if err == nil {
			_, err = fmt.Fprintf(w, format, args...)
		}
	}
	say("From %s, exported %s by %s: %s\nSHA-256 of its content: %s\n", r.Server, r.Made.Format("2006-01-02 15:04:05 UTC"), r.MadeBy, r.Choice, r.Sum)
	for _, l := range r.Lines {
		text := string(l.Fate) + ": " + l.What
		if l.As != "" {
			text += ", here " + l.As
		}
		if l.Why != "" {
			text += " (" + l.Why + ")"
		}
		say("%s\n", text)
	}
	if r.More > 0 {
		say("and %d more\n", r.More)
	}
	for _, l := range r.LeftOut {
		say("not in the file: %s (%s)\n", l.What, l.Why)
	}
	done := "Imported"
	switch {
	case r.Dry:
		done = "Nothing was written. It would be"
	case !r.Changes():
		done = "Nothing was to be imported"
	}
	say("%s: %s.\n", done, r.Words())
	return err
}
