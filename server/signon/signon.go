// Package signon is the client of a lab's single sign-on: OpenID Connect, the
// authorisation code flow with PKCE (OpenID Connect Core 1.0, RFC 7636). It finds
// out who somebody is at the provider, and by the lab's rules whether they may
// come in and as what. It keeps nothing, and sets no cookie by itself.
package signon

import (
	"cmp"
	"context"
	"crypto/cipher"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"ohmkeep/store"
)

// Defaults of a configuration.
const (
	DefaultName       = "single sign-on"
	DefaultNameClaim  = "name"
	DefaultGroupClaim = "groups"
	// patience is how long one answer of the provider is waited for.
	patience = 10 * time.Second
)

// DefaultScopes are what a provider is asked to say, beside who somebody is.
var DefaultScopes = []string{"profile", "email"}

// Config is a lab's single sign-on.
type Config struct {
	Issuer   string // the provider's address, exactly as it calls itself
	ClientID string
	Secret   string // "": a public client, which PKCE alone protects
	Name     string // what people here call it, on the button; "": DefaultName
	Scopes   []string
	// NameClaim is the claim that holds a newcomer's name. Claims within others are
	// written with dots.
	NameClaim string
	// GroupClaim is the claim that holds the groups of a person.
	GroupClaim string
	// Groups lets in only who is in one of them; empty: everybody.
	Groups []string
	// Domains lets in only who has a verified e-mail address in one of them; empty:
	// everybody.
	Domains []string
	// Roles are the roles that groups give; the highest counts. Where there are any,
	// the role of who came by single sign-on is set at each sign-in.
	Roles []GroupRole
	// NewRole is the role of a newcomer whose groups give none; Nobody: Viewer.
	NewRole store.Role
	// KnownOnly lets in only persons who have bound their sign-in themselves, by
	// another way in.
	KnownOnly bool

	Log      *slog.Logger
	Now      func() time.Time
	Patience time.Duration // for an answer of the provider; 0: 10 s
}

// GroupRole is the role that membership of a group gives.
type GroupRole struct {
	Group string
	Role  store.Role
}

// Provider is the lab's provider as this server knows it. Safe for concurrent use.
type Provider struct {
	Config
	client *http.Client
	seal   cipher.AEAD
	turns  chan struct{} // one for each sign-in that asks the provider now

	look sync.Mutex // over a look at the provider

	mu      sync.Mutex
	found   *found    // nil: it was never reached
	trouble string    // why the last look failed, in words; "": it did not
	looked  time.Time // when the last look ended
	used    map[string]time.Time
}

// atOnce is the number of sign-ins that may ask the provider at the same time.
const atOnce = 16

// New makes a client of a provider. It asks nothing over the network: a provider
// that is down keeps no server from starting.
func New(cfg Config) (*Provider, error) {
	if err := checkIssuer(cfg.Issuer); err != nil {
		return nil, err
	}
	if cfg.ClientID == "" {
		return nil, errors.New("single sign-on needs the client id that the provider knows this server by")
	}
	cfg.Name, cfg.NameClaim, cfg.GroupClaim = cmp.Or(cfg.Name, DefaultName), cmp.Or(cfg.NameClaim, DefaultNameClaim), cmp.Or(cfg.GroupClaim, DefaultGroupClaim)
	if cfg.NewRole == store.Nobody {
		cfg.NewRole = store.Viewer
	}
	if cfg.Scopes == nil {
		cfg.Scopes = DefaultScopes
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	cfg.Patience = cmp.Or(cfg.Patience, patience)
	p := &Provider{Config: cfg, client: newClient(cfg.Patience), seal: newSeal(), turns: make(chan struct{}, atOnce), used: map[string]time.Time{}}
	return p, nil
}

// checkIssuer refuses an address that is none of a provider. Over plain HTTP
// anybody on the way could say who somebody is, so that it is for a provider on
// this machine alone.
func checkIssuer(issuer string) error {
	u, err := url.Parse(issuer)
	if err != nil || u.Host == "" || u.RawQuery != "" || u.Fragment != "" || u.User != nil {
		return fmt.Errorf("%q is no address of a provider, such as https://login.lab.example", issuer)
	}
	if u.Scheme != "https" && (u.Scheme != "http" || !local(u)) {
		return errors.New("the provider's address must begin with https://: over plain HTTP anybody on the way could sign in as anybody")
	}
	return nil
}

// local reports whether an address is on this machine.
func local(u *url.URL) bool {
	ip := net.ParseIP(u.Hostname())
	return u.Hostname() == "localhost" || ip != nil && ip.IsLoopback()
}

// Trouble says in words why nobody can sign in by the provider, as far as is
// known; "" is nothing.
func (p *Provider) Trouble() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.trouble
}

// The times between two looks at the provider.
const (
	lookEvery     = time.Minute      // while it answers
	lookAgain     = 15 * time.Second // while it does not
	lookLatest    = 5 * time.Second  // since a failed look that nobody repeats for one more sign-in
	freshForStart = time.Minute      // since a look, that a sign-in begins without another
)

// Watch looks at the provider from time to time until the context ends, so that
// health and the sign-in page know how it is before somebody tries.
func (p *Provider) Watch(ctx context.Context) {
	for {
		_ = p.Look(ctx) // it is kept, and logged where it is news
		wait := lookEvery
		if p.Trouble() != "" {
			wait = lookAgain
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			timer.Stop()
			p.client.CloseIdleConnections()
			return
		case <-timer.C:
		}
	}
}

// ParseRoles reads which groups give which role, such as
// "bench-people=operator,lab-heads=owner".
func ParseRoles(text string) (out []GroupRole, err error) {
	for part := range strings.SplitSeq(text, ",") {
		if part = strings.TrimSpace(part); part == "" {
			continue
		}
		at := strings.LastIndexByte(part, '=')
		if at < 1 {
			return nil, fmt.Errorf("%q: write group=role, such as bench-people=operator", part)
		}
		role, err := store.ParseRole(strings.TrimSpace(part[at+1:]))
		if err != nil {
			return nil, fmt.Errorf("%q: the role is viewer, operator or owner", part)
		}
		out = append(out, GroupRole{strings.TrimSpace(part[:at]), role})
	}
	return out, nil
}

// ParseList reads a list that is separated by commas.
func ParseList(text string) (out []string) {
	for part := range strings.SplitSeq(text, ",") {
		if part = strings.TrimSpace(part); part != "" && !slices.Contains(out, part) {
			out = append(out, part)
		}
	}
	return out
}
