package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"ohmkeep/server/dut"
	"ohmkeep/store"
)

// inviteCommand is the subcommand that makes a link which lets somebody in, or
// signs one more browser of a person in, and prints it alone on the last line.
// It may be used while the server runs: it writes the same file.
func inviteCommand(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := newFlags("ohmkeep invite", stderr)
	data := dataFlag(fs)
	role := fs.String("role", "viewer", "what whoever uses it may do: viewer, operator or owner")
	person := fs.String("person", "", "name of a person who lost their browser or key: the link signs one browser in as them")
	age := fs.Duration("for", 24*time.Hour, "how long it may be used")
	uses := fs.Int("uses", 1, "how often it may be used")
	address := fs.String("public", "", "address of the server in the link, as for the server itself (default: the one of its last start)")
	listen := fs.String("listen", "", "address that the server serves on, for the link where -public is not given (default: the one of its last start)")
	if err := parse(fs, args); err != nil {
		return err
	}
	r, err := store.ParseRole(*role)
	if err != nil {
		return usageError{err}
	}
	base, err := linkAddress(*data, *address, *listen)
	if err != nil {
		return err
	}
	s, _, err := openData(ctx, *data)
	if err != nil {
		return err
	}
	q := store.InvitationRequest{Kind: store.HostInvitation, Role: r, By: store.Host, Age: *age, Uses: *uses}
	secret, err := invite(ctx, s, q, *person)
	if err := errors.Join(err, s.Close()); err != nil {
		return err
	}
	whom := "whoever opens it, as " + r.String()
	if *person != "" {
		whom = "one browser of " + *person
	}
	_, err = fmt.Fprintf(stdout, "This link signs in %s. It is good for %v and %d times, and is shown only now:\n%s/sign-in?key=%s\n", whom, *age, q.Uses, base, secret)
	return err
}

// linkAddress is the address that a link leads to: as it is given, else the one
// of the server's last start, else the default.
func linkAddress(data, given, listen string) (string, error) {
	if given == "" && listen == "" {
		dir, err := dataDir(data)
		if err != nil {
			return "", err
		}
		kept, err := keptAddress(dir)
		if kept != "" || err != nil {
			return kept, err
		}
	}
	base, err := publicAddress(given, "http", cmp.Or(listen, defaultListen))
	if err != nil {
		return "", usageError{err}
	}
	return base, nil
}

// invite makes the invitation, of the person of that name where there is one to
// be.
func invite(ctx context.Context, s *store.Store, q store.InvitationRequest, person string) (secret string, err error) {
	if person != "" {
		if q.Person, err = personNamed(ctx, s, person); err != nil {
			return "", err
		}
	}
	secret, _, err = s.Invite(ctx, q)
	return secret, err
}

func personNamed(ctx context.Context, s *store.Store, name string) (int64, error) {
	all, err := s.ListPersons(ctx)
	for _, form := range []func(string) string{dut.Name, dut.NameKey} { // who is called exactly so comes first
		for _, p := range all {
			if form(p.Name) == form(name) {
				return p.ID, nil
			}
		}
	}
	if err == nil {
		err = fmt.Errorf("there is no person named %q", name)
	}
	return 0, err
}
