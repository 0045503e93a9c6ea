// Package people is who may come in and what they may do with access: persons
// and their roles, invitations, signed-in browsers, tokens and share links, and
// the register of what is open with each. It knows no HTTP.
package people

import (
	"context"
	"log/slog"
	"slices"
	"strconv"
	"strings"
	"time"

	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// Ages of what gives access, where nobody says otherwise.
const (
	SessionAge = 30 * 24 * time.Hour // a browser that is signed in
	StartAge   = 24 * time.Hour      // the key that a start of the server prints
	BrowserAge = time.Hour           // a link for one more browser of a person
)

// maxName is the longest name of a person, a browser or a token, in characters.
const maxName = 60

// Config is what people are kept in.
type Config struct {
	Store      *store.Store
	Log        *slog.Logger
	Now        func() time.Time // nil: time.Now
	SessionAge time.Duration    // 0: SessionAge
}

// People carries out what is done with access. Safe for concurrent use.
type People struct {
	Config
	Grants *Grants
}

// New makes the register of a lab's people.
func New(cfg Config) *People {
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.SessionAge == 0 {
		cfg.SessionAge = SessionAge
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	return &People{Config: cfg, Grants: newGrants(cfg.Store, cfg.Log, cfg.Now)}
}

// CheckPerson says what is wrong with the name of a person. It must not read as
// anything else in the log of who did what: neither as the server itself, nor as a
// token, which is written in brackets behind its person's name.
func CheckPerson(name string) string {
	reads := dut.NameKey(name)
	if slices.ContainsFunc(reserved, func(r string) bool { return strings.EqualFold(r, reads) }) {
		return "is what the server calls itself in the log: take another"
	}
	if strings.HasSuffix(reads, ")") {
		return "must not end with a bracket: in the log tokens are written so"
	}
	return CheckName(name)
}

// reserved are the names that stand in the log for what no person did.
var reserved = []string{store.Host, "the server’s start", "the server's start", "system", store.SingleSignOn, "timetable", "the server", "nobody", "ohmkeep"}

// CheckName says what is wrong with the name of a person, a browser or a token;
// "" is nothing. What cannot be seen in a list, or turns its direction, could
// pass one person off as another, and so could letters of another script.
func CheckName(name string) string {
	name = dut.Name(name)
	if name == "" {
		return "give a name"
	}
	if wrong := (dut.Text{Most: maxName}).Check(name); wrong != "" {
		return wrong
	}
	if mixed := dut.MixedScripts(name); mixed != nil {
		return "mixes letters of " + strings.Join(mixed, " and ") + ": some of them look like others, write it in one script"
	}
	return ""
}

// named is the refusal of a name in a field.
func named(field, name string) error {
	if wrong := CheckName(name); wrong != "" {
		return problem.Field(field, wrong)
	}
	return nil
}

// SessionOf registers something that a browser opens with its session.
func (p *People) SessionOf(ctx context.Context, secret string) (context.Context, func(), store.Access, error) {
	return p.enter(ctx, func(ctx context.Context) (store.Access, error) { return p.Store.Session(ctx, secret) })
}

// TokenOf registers something that a program opens with its token.
func (p *People) TokenOf(ctx context.Context, secret string) (context.Context, func(), store.Access, error) {
	return p.enter(ctx, func(ctx context.Context) (store.Access, error) { return p.Store.TokenAccess(ctx, secret) })
}

func (p *People) enter(ctx context.Context, look func(context.Context) (store.Access, error)) (context.Context, func(), store.Access, error) {
	var a store.Access
	ctx, leave, err := p.Grants.Enter(ctx, func(ctx context.Context) (_ Grant, err error) {
		a, err = look(ctx)
		return Grant{Kind: a.Kind, ID: a.ID, Role: a.Role, Expires: a.Expires, Used: a.Used}, err
	})
	return ctx, leave, a, err
}

// ShareOf registers something that is opened with a share link.
func (p *People) ShareOf(ctx context.Context, secret string) (context.Context, func(), store.Share, error) {
	var x store.Share
	ctx, leave, err := p.Grants.Enter(ctx, func(ctx context.Context) (_ Grant, err error) {
		x, err = p.Store.Shared(ctx, secret)
		return Grant{Kind: store.ShareKey, ID: x.ID, Expires: x.Expires, Used: x.Used}, err
	})
	return ctx, leave, x, err
}

// HolderKey names a session or a token where a bench is held.
func HolderKey(kind store.KeyKind, id int64) string {
	return string(kind) + " " + strconv.FormatInt(id, 10)
}

// Stands reports whether the session or token of that name still gives a role.
// Where that cannot be read, it does: a database that does not answer must not
// take control away.
func (p *People) Stands(ctx context.Context, holder string, role store.Role) bool {
	kind, number, _ := strings.Cut(holder, " ")
	id, err := strconv.ParseInt(number, 10, 64)
	if err != nil {
		return false
	}
	a, err := p.Store.AccessByID(ctx, store.KeyKind(kind), id)
	if err != nil {
		return problem.CodeOf(err) != problem.Denied
	}
	return a.Role >= role
}
