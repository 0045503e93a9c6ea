package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"ohmkeep/store"
)

// errDamage ends a check that found something.
var errDamage = errors.New("something is damaged: see above. What is not named can be used as before; a backup from before the damage can be restored, and what can still be read be salvaged (-salvage)")

// openData opens the database of a data directory for a subcommand that writes to
// it. It makes none where there is none, and refuses one of an older version of the
// program: what is typed beside a server must not change what it works on.
func openData(ctx context.Context, data string) (*store.Store, string, error) {
	path, dir, err := thereIsData(data)
	if err != nil {
		return nil, dir, err
	}
	s, err := store.Open(ctx, path, store.Options{Today: true})
	return s, dir, err
}

// openToRead opens the database of a data directory for a subcommand that only
// reads it, and says where it is of an older version.
func openToRead(ctx context.Context, data string, stdout io.Writer) (*store.Store, string, error) {
	path, dir, err := thereIsData(data)
	if err != nil {
		return nil, dir, err
	}
	s, err := store.OpenRead(ctx, path, false)
	if err == nil && s.Copied() != "" {
		err = sayOlder(stdout, path, "a copy was brought up to date and is read")
		if err != nil {
			err = errors.Join(err, s.Close())
		}
	}
	return s, dir, err
}

// sayOlder says that a database is of an older version, and what is done instead of
// changing it.
func sayOlder(w io.Writer, path, instead string) error {
	_, err := fmt.Fprintf(w, "%s is of an older version of the program: it stays as it is, and %s.\n", path, instead)
	return err
}

// thereIsData returns the path of the database of a data directory, and the
// directory. Where there is no database, the error says what is known of it.
func thereIsData(data string) (path, dir string, err error) {
	if dir, err = dataDir(data); err != nil {
		return "", "", err
	}
	path = databasePath(dir)
	if info, err := os.Stat(path); err != nil || info.Size() == 0 {
		err = fmt.Errorf("there is no database in %s; start the server once, or name its directory with -data", dir)
		if found, lookErr := store.LookAt(path); lookErr == nil {
			for _, text := range found.Notes() {
				err = fmt.Errorf("%w; %s", err, text)
			}
		}
		return "", dir, err
	}
	return path, dir, nil
}

// dataFlag adds the flag that names the data directory.
func dataFlag(fs *flag.FlagSet) *string {
	return fs.String("data", "", "directory of the database (default: the user's data directory)")
}

// checkDataCommand is the subcommand that holds everything that is kept against its
// checksums, also while the server runs.
func checkDataCommand(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := newFlags("ohmkeep check", stderr)
	data := dataFlag(fs)
	file := fs.String("file", "", "check this database file, such as a backup, that nobody else uses")
	salvage := fs.String("salvage", "", "then make a new database, in this file, of all that can still be read; the server must not run")
	if err := parse(fs, args); err != nil {
		return err
	}
	checked, path, err := checkOf(ctx, *data, *file, stdout)
	if err != nil && *salvage == "" {
		return err
	}
	if err != nil {
		fmt.Fprintln(stderr, "ohmkeep check:", err)
	} else if err := printChecked(stdout, path, checked); err != nil {
		return err
	}
	if *salvage != "" {
		return salvageTo(ctx, *data, path, *salvage, stdout)
	}
	if len(checked.Findings) > 0 {
		return errDamage
	}
	return nil
}

// checkOf checks a file, or the database of a data directory where none is
// named: all that is in it, and that it is the one that was left. It only reads.
func checkOf(ctx context.Context, data, file string, stdout io.Writer) (checked *store.Checked, path string, err error) {
	path = file
	if file == "" {
		dir, err := dataDir(data)
		if err != nil {
			return nil, "", err
		}
		path = databasePath(dir)
	} else if info, err := os.Stat(file); err != nil || info.Size() == 0 {
		return nil, file, errors.Join(err, fmt.Errorf("%s is no database", file))
	}
	found, err := store.LookAt(path) // before it is opened, which makes a new log
	if err != nil {
		return nil, path, err
	}
	if file == "" {
		if path, _, err = thereIsData(data); err != nil {
			return nil, path, err
		}
	}
	s, err := store.OpenRead(ctx, path, file != "")
	if err != nil {
		return nil, path, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	if s.Copied() != "" {
		if err := sayOlder(stdout, path, "a copy was brought up to date and is checked"); err != nil {
			return nil, path, err
		}
	}
	notes, err := found.Compare(ctx, s)
	if err != nil {
		return nil, path, err
	}
	if checked, err = s.Check(ctx, nil); err != nil {
		return nil, path, err
	}
	for _, text := range notes {
		checked.Findings = append(checked.Findings, store.Finding{Subject: "database", What: text})
	}
	return checked, path, nil
}

func printChecked(w io.Writer, path string, c *store.Checked) error {
	_, err := fmt.Fprintf(w, "%s: %d runs, %d results, %d readings, %d documents and revisions, %d lines of the log, in %s\n",
		path, c.Runs, c.Results, c.Readings, c.Documents, c.Events, c.Took.Round(time.Millisecond))
	for _, f := range c.Findings {
		if err == nil {
			_, err = fmt.Fprintf(w, "damaged: %s: %s\n", f.Subject, f.What)
		}
	}
	switch {
	case err != nil:
	case c.More > 0:
		_, err = fmt.Fprintf(w, "and %d more\n", c.More)
	case len(c.Findings) == 0:
		_, err = fmt.Fprintln(w, "Nothing is damaged.")
	}
	return err
}

// salvageTo makes a new database of what can be read of another.
func salvageTo(ctx context.Context, data, from, to string, stdout io.Writer) error {
	if _, err := os.Lstat(to); err == nil {
		return fmt.Errorf("%s exists already", to)
	}
	dir, err := dataDir(data)
	if err != nil {
		return err
	}
	unlock, err := lockData(dir)
	if err != nil {
		return err
	}
	got, err := store.Salvage(ctx, from, to)
	if err := errors.Join(err, unlock()); err != nil {
		return err
	}
	if _, err := fmt.Fprintf(stdout, "%d rows were brought over to %s.\n", got.Rows, to); err != nil {
		return err
	}
	for _, table := range got.Lost {
		if _, err := fmt.Fprintf(stdout, "not all could be read of: %s\n", table); err != nil {
			return err
		}
	}
	return printChecked(stdout, to, got.Checked)
}

// backupCommand is the subcommand that copies the database, also while the
// server runs.
func backupCommand(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := newFlags("ohmkeep backup", stderr)
	data := dataFlag(fs)
	to := fs.String("to", "", "file to write; there must be none of this name")
	if err := parse(fs, args); err != nil {
		return err
	}
	if *to == "" {
		return usageError{errors.New("ohmkeep backup: say where to with -to FILE")}
	}
	s, _, err := openToRead(ctx, *data, stdout)
	if err != nil {
		return err
	}
	b, err := s.BackupTo(ctx, *to, nil)
	if err := errors.Join(err, s.Close()); err != nil {
		return err
	}
	_, err = fmt.Fprintf(stdout, "%s: %d bytes, read again and whole: %d runs, %d results, %d readings, in %s\n",
		b.Path, b.Size, b.Checked.Runs, b.Checked.Results, b.Checked.Readings, b.Took.Round(time.Millisecond))
	return err
}

// restoreCommand is the subcommand that puts a backup in the place of the
// database, which it keeps beside it. The server must not run.
func restoreCommand(ctx context.Context, args []string, stdout, stderr io.Writer) (err error) {
	fs := newFlags("ohmkeep restore", stderr)
	data := dataFlag(fs)
	from := fs.String("from", "", "backup to restore")
	replace := fs.Bool("replace", false, "go on although the present database has what the backup has not; it is kept beside the restored one")
	damaged := fs.Bool("damaged", false, "go on although the backup is damaged")
	if err := parse(fs, args); err != nil {
		return err
	}
	if *from == "" {
		return usageError{errors.New("ohmkeep restore: say what with -from FILE")}
	}
	dir, err := dataDir(*data)
	if err != nil {
		return err
	}
	unlock, err := lockData(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, unlock()) }()
	return restore(ctx, *from, dir, restoring{Replace: *replace, Damaged: *damaged}, stdout)
}

// restoring is what a restore goes on in spite of.
type restoring struct {
	Replace bool // the present database has what the backup has not
	Damaged bool // the backup is damaged
}

// restore puts a backup in the place of a directory's database.
func restore(ctx context.Context, from, dir string, despite restoring, stdout io.Writer) (err error) {
	part := filepath.Join(dir, "restore.part")
	if err := store.RemoveFile(part); err != nil {
		return err
	}
	if err := store.CopyFile(from, part); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.RemoveFile(part)) }()
	checked, err := store.CheckFile(ctx, part, nil)
	if err != nil {
		return fmt.Errorf("%s cannot be restored: %w", from, err)
	}
	if err := printChecked(stdout, from, checked); err != nil {
		return err
	}
	if len(checked.Findings) > 0 && !despite.Damaged {
		return errors.New("the backup is damaged: see above. Nothing was changed; -damaged restores it as it is")
	}
	path := databasePath(dir)
	lost, err := sayLoss(ctx, path, part, stdout)
	if err != nil {
		return err
	}
	if lost && !despite.Replace {
		return errors.New("nothing was changed. -replace goes back to the backup, and keeps the present database beside it")
	}
	kept, err := store.Replace(path, part, time.Now())
	if err != nil {
		return err
	}
	if kept != "" {
		if _, err := fmt.Fprintf(stdout, "The database of before is kept as %s\n", kept); err != nil {
			return err
		}
	}
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		return err
	}
	err = s.Log(ctx, store.Event{By: "ohmkeep", Action: "restore", Subject: filepath.Base(from), Detail: "before: " + filepath.Base(kept)})
	if err == nil {
		err = s.KeepState(ctx, false)
	}
	if err := errors.Join(err, s.Close()); err != nil {
		return err
	}
	done := "Restored."
	if len(checked.Findings) > 0 {
		done = "Restored, with all that is damaged in it: see above."
	}
	_, err = fmt.Fprintln(stdout, done)
	return err
}

// sayLoss says what the present database has and the backup has not.
func sayLoss(ctx context.Context, path, backup string, stdout io.Writer) (lost bool, err error) {
	if info, err := os.Stat(path); err != nil || info.Size() == 0 {
		return false, nil // there is nothing to lose
	}
	now, err := store.OpenRead(ctx, path, true) // the data directory is locked
	if err != nil {
		_, err = fmt.Fprintf(stdout, "The present database cannot be opened (%v): what it has beyond the backup cannot be said.\n", err)
		return true, err
	}
	then, err := store.Open(ctx, backup, store.Options{})
	if err != nil {
		return false, errors.Join(err, now.Close())
	}
	loss, err := now.Beyond(ctx, then)
	err = errors.Join(err, then.Close(), now.Close())
	if err != nil {
		_, err = fmt.Fprintf(stdout, "What the present database has beyond the backup cannot be said: %v\n", err)
		return true, err
	}
	return loss.Any(), printLoss(stdout, loss)
}

func printLoss(w io.Writer, l *store.Loss) error {
	if !l.Any() {
		_, err := fmt.Fprintln(w, "The backup has everything that the present database has.")
		return err
	}
	_, err := fmt.Fprintf(w, "Going back to this backup would lose %d runs (or what was changed of them), %d revisions of documents, %d lines of the log.\n",
		len(l.Runs)+l.More, l.Edits, l.Events)
	for i := range l.Runs {
		if r := &l.Runs[i]; err == nil {
			_, err = fmt.Fprintf(w, "  %s  %s  %s %s  %s  %d readings\n", r.ID, r.Started.Format(time.RFC3339), r.DeviceName, r.Unit.Serial, r.Status, r.Readings)
		}
	}
	if err == nil && l.More > 0 {
		_, err = fmt.Fprintf(w, "  and %d more\n", l.More)
	}
	return errors.Join(err, printAccess(w, l.Access))
}

// printAccess says by name what going back would change of who has access.
func printAccess(w io.Writer, changes []store.AccessChange) error {
	if len(changes) == 0 {
		return nil
	}
	_, err := fmt.Fprintln(w, "It would change who has access:")
	for _, c := range changes {
		text := fmt.Sprintf("%s: gives access again (%s)", c.What, c.Then)
		switch {
		case c.Then == "":
			text = fmt.Sprintf("%s: access ends (%s)", c.What, c.Now)
		case c.Now != "":
			text = fmt.Sprintf("%s: %s again, %s now", c.What, c.Then, c.Now)
		}
		if err == nil {
			_, err = fmt.Fprintln(w, "  "+text)
		}
	}
	return err
}
