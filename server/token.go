package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"ohmkeep/store"
)

// tokenCommand is the subcommand that makes an API token and prints it alone
// on the last line. It may be used while the server runs.
func tokenCommand(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := newFlags("ohmkeep token", stderr)
	data := fs.String("data", "", "directory of the database (default: the user's data directory)")
	role := fs.String("role", "viewer", "what the token may do: viewer, operator or owner")
	name := fs.String("name", "", "whose token it is, for the log")
	if err := parse(fs, args); err != nil {
		return err
	}
	r, err := store.ParseRole(*role)
	if err != nil {
		return usageError{err}
	}
	if *name == "" {
		return usageError{errors.New("ohmkeep token: give it a -name")}
	}
	dir, err := dataDir(*data)
	if err != nil {
		return err
	}
	path := databasePath(dir)
	if _, err := os.Stat(path); err != nil {
		return fmt.Errorf("there is no database in %s; start the server once, or name its directory with -data", dir)
	}
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		return err
	}
	secret, err := s.NewToken(ctx, r, *name)
	if err := errors.Join(err, s.Close()); err != nil {
		return err
	}
	_, err = fmt.Fprintf(stdout, "Token of %s, role %s. It is shown only now:\n%s\n", *name, r, secret)
	return err
}
