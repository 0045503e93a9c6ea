package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"ohmkeep/server/dut"
	"ohmkeep/server/people"
	"ohmkeep/store"
)

// tokenCommand is the subcommand that makes an API token and prints it alone
// on the last line. It may be used while the server runs.
func tokenCommand(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := newFlags("ohmkeep token", stderr)
	data := dataFlag(fs)
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
	s, _, err := openData(ctx, *data)
	if err != nil {
		return err
	}
	secret, err := makeToken(ctx, s, store.TokenRequest{Role: r, Name: dut.Name(*name), Age: *age, By: store.Host}, *person)
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

// makeToken makes a token of the person of that name, or of one of its own. Its
// name is held against the rules of the browser, since it stands in the same lists
// and the same log.
func makeToken(ctx context.Context, s *store.Store, q store.TokenRequest, person string) (secret string, err error) {
	check := people.CheckPerson
	if person != "" {
		check = people.CheckName
		if q.Person, err = personNamed(ctx, s, person); err != nil {
			return "", err
		}
	}
	if wrong := check(q.Name); wrong != "" {
		return "", fmt.Errorf("the name %+q %s", q.Name, wrong)
	}
	secret, _, err = s.MakeToken(ctx, q)
	return secret, err
}
