package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"ohmkeep/store"
)

// tokenCommand is the subcommand that makes an API token and prints it alone
// on the last line. It may be used while the server runs.
func tokenCommand(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := newFlags("ohmkeep token", stderr)
	data := fs.String("data", "", "directory of the database (default: the user's data directory)")
	role := fs.String("role", "viewer", "what the token may do: viewer, operator or owner")
	name := fs.String("name", "", "what the token is for, for the lists and the log")
	person := fs.String("person", "", "whose token it is (default: a person of the token's name, who is added where there is none)")
	age := fs.Duration("for", 0, "how long it is good (default: until it is revoked)")
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
	s, err := openStored(ctx, *data)
	if err != nil {
		return err
	}
	secret, err := makeToken(ctx, s, store.TokenRequest{Role: r, Name: *name, Age: *age, By: "the host"}, *person)
	if err := errors.Join(err, s.Close()); err != nil {
		return err
	}
	until := ""
	if *age > 0 {
		until = ", until " + time.Now().Add(*age).Format("2006-01-02 15:04")
	}
	_, err = fmt.Fprintf(stdout, "Token of %s, role %s%s. It is shown only now:\n%s\n", *name, r, until, secret)
	return err
}

func makeToken(ctx context.Context, s *store.Store, q store.TokenRequest, person string) (secret string, err error) {
	if person != "" {
		if q.Person, err = personNamed(ctx, s, person); err != nil {
			return "", err
		}
	}
	secret, _, err = s.MakeToken(ctx, q)
	return secret, err
}
