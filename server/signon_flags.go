package main

import (
	"cmp"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"

	"ohmkeep/server/signon"
	"ohmkeep/store"
)

// secretVariable is the environment variable that holds the secret of this server
// at the single sign-on's provider, where no file does.
const secretVariable = "OHMKEEP_OIDC_SECRET"

// signOnFlags are the flags of the lab's single sign-on. The secret is none of
// them: everybody on the machine can read a command line.
type signOnFlags struct {
	cfg             signon.Config
	secretFile      string
	newcomers       string
	groups, domains string
	scopes          string
}

func (f *signOnFlags) add(fs *flag.FlagSet) {
	fs.StringVar(&f.cfg.Issuer, "oidc-issuer", "", "address of the lab's single sign-on (OpenID Connect), exactly as its provider calls itself, such as https://login.lab.example")
	fs.StringVar(&f.cfg.ClientID, "oidc-client", "", "client id that the provider knows this server by; its address to come back to is that of -public, with /sign-in/return")
	fs.StringVar(&f.secretFile, "oidc-secret-file", "", "file that holds the client's secret (default: the environment variable "+secretVariable+"; without either a public client)")
	fs.StringVar(&f.cfg.Name, "oidc-name", signon.DefaultName, "what people here call it, on the button of the sign-in page")
	fs.StringVar(&f.scopes, "oidc-scopes", strings.Join(signon.DefaultScopes, ","), "what the provider is asked for beside openid, separated by commas")
	fs.StringVar(&f.cfg.NameClaim, "oidc-person-claim", signon.DefaultNameClaim, "claim that holds the name of a newcomer")
	fs.StringVar(&f.cfg.GroupClaim, "oidc-group-claim", signon.DefaultGroupClaim, "claim that holds the groups of a person; claims within others with dots between")
	fs.StringVar(&f.groups, "oidc-groups", "", "groups of which a person must be in one, separated by commas (default: everybody comes in)")
	fs.StringVar(&f.domains, "oidc-domains", "", "domains of which a person must have a verified e-mail address in one, separated by commas (default: everybody comes in)")
	fs.Func("oidc-roles", "roles that groups give at each sign-in, such as bench-people=operator,lab-heads=owner", func(text string) (err error) {
		f.cfg.Roles, err = signon.ParseRoles(text)
		return err
	})
	fs.StringVar(&f.newcomers, "oidc-new", "viewer", "role of newcomers whose groups give none; known: only persons who have bound their sign-in themselves come in")
}

// provider makes the client of the provider that the flags describe; nil where
// they describe none.
func (f *signOnFlags) provider(log *slog.Logger) (*signon.Provider, error) {
	if f.cfg.Issuer == "" {
		if f.cfg.ClientID != "" || f.secretFile != "" {
			return nil, usageError{errors.New("ohmkeep: -oidc-client and -oidc-secret-file need -oidc-issuer")}
		}
		return nil, nil
	}
	f.cfg.Log, f.cfg.Groups, f.cfg.Domains = log, signon.ParseList(f.groups), signon.ParseList(f.domains)
	f.cfg.Scopes = append([]string{}, signon.ParseList(f.scopes)...)
	if f.newcomers == "known" {
		f.cfg.KnownOnly = true
	} else {
		role, err := store.ParseRole(f.newcomers)
		if err != nil {
			return nil, usageError{errors.New("ohmkeep: -oidc-new takes viewer, operator, owner or known")}
		}
		f.cfg.NewRole = role
	}
	var err error
	if f.cfg.Secret, err = clientSecret(f.secretFile, log); err != nil {
		return nil, err
	}
	p, err := signon.New(f.cfg)
	if err != nil {
		return nil, usageError{fmt.Errorf("ohmkeep: -oidc-issuer: %w", err)}
	}
	if !p.KnownOnly && len(p.Groups) == 0 && len(p.Domains) == 0 {
		log.Info("whoever has an account at the single sign-on comes in; -oidc-groups, -oidc-domains and -oidc-new bound that", "issuer", p.Issuer, "as", cmp.Or(p.NewRole, store.Viewer))
	}
	return p, nil
}

// secretMost is the longest secret, in bytes.
const secretMost = 4096

// clientSecret reads the secret from its file, or from the environment.
func clientSecret(path string, log *slog.Logger) (string, error) {
	if path == "" {
		return strings.TrimSpace(os.Getenv(secretVariable)), nil
	}
	file, err := os.Open(path)
	if err != nil {
		return "", fmt.Errorf("the secret of the single sign-on: %w", err)
	}
	defer func() { _ = file.Close() }() // it was read
	if info, err := file.Stat(); err == nil && info.Mode().Perm()&0o077 != 0 {
		log.Warn("others on this machine may read the secret of the single sign-on: chmod 600", "path", path)
	}
	body, err := io.ReadAll(io.LimitReader(file, secretMost+1))
	text := strings.TrimSpace(string(body))
	switch {
	case err != nil:
		return "", fmt.Errorf("the secret of the single sign-on: %w", err)
	case text == "" || len(body) > secretMost:
		return "", fmt.Errorf("the secret of the single sign-on: %s holds none", path)
	}
	return text, nil
}
