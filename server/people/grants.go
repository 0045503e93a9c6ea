package people

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"ohmkeep/server/problem"
	"ohmkeep/store"
)

// recheckEvery is the pace at which the register asks whether anything was
// taken back by another process, or has run out: well within a second.
const recheckEvery = 250 * time.Millisecond

// usedEvery is how often a use is written at most: "last used" is known to a
// minute, and a request costs no commit.
const usedEvery = time.Minute

// ErrTakenBack is the cause of a context that ended because what it was opened
// with gives access no more.
var ErrTakenBack error = problem.New(problem.Denied, "The access that this was opened with was taken back or has run out.")

// Grant is what something was opened with: a session, a token or a share link.
type Grant struct {
	Kind    store.KeyKind
	ID      int64
	Role    store.Role // that it gives; of a share link none
	Expires time.Time  // zero: never
	Used    time.Time  // when its use was last written
}

// key names what a grant comes from.
type key struct {
	kind store.KeyKind
	id   int64
}

// Grants is the register of what is open, and of what it was opened with. What
// is taken back, by whatever process, ends what is open within a second. Safe
// for concurrent use; the zero Grants is not ready.
type Grants struct {
	store *store.Store
	log   *slog.Logger
	now   func() time.Time

	mu         sync.Mutex
	entries    map[*entry]struct{}
	uses       map[key]time.Time // not written yet
	generation uint64            // of the last recheck
	change     int64             // that the last recheck saw
	stale      bool              // the last recheck could not ask
	watching   bool
	writing    bool
}

// entry is one thing that is open.
type entry struct {
	Grant
	of     *Grants
	needs  store.Role
	cancel context.CancelCauseFunc
	leave  func()
}

func newGrants(s *store.Store, log *slog.Logger, now func() time.Time) *Grants {
	return &Grants{store: s, log: log, now: now, entries: map[*entry]struct{}{}, uses: map[key]time.Time{}, change: -1}
}

type entryKey struct{}

// Enter registers something that is about to be opened. Look finds what it is
// opened with; it may be called again, where something was taken back
// meanwhile. The context ends with ErrTakenBack when the grant does; leave is
// called when what was opened is over.
func (g *Grants) Enter(ctx context.Context, look func(context.Context) (Grant, error)) (_ context.Context, leave func(), err error) {
	e := &entry{of: g}
	ctx, e.cancel = context.WithCancelCause(context.WithValue(ctx, entryKey{}, e))
	e.leave = sync.OnceFunc(func() { g.left(e) })
	leave = func() {
		e.leave()
		e.cancel(nil)
	}
	for {
		before := g.state()
		if e.Grant, err = look(ctx); err != nil {
			e.cancel(nil)
			return ctx, func() {}, err
		}
		if g.add(e, before) {
			return ctx, leave, nil
		}
	}
}

func (g *Grants) state() uint64 {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.generation
}

// add registers an entry that was looked up in a generation. It refuses where
// something was taken back since: the look-up may be older.
func (g *Grants) add(e *entry, generation uint64) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.generation != generation {
		return false
	}
	g.entries[e] = struct{}{}
	g.use(e)
	if !g.watching {
		g.watching = true
		go g.watch()
	}
	return true
}

// use notes that an entry's grant is used now, at most once in usedEvery. The
// lock must be held.
func (g *Grants) use(e *entry) {
	if now := g.now(); now.Sub(e.Used) >= usedEvery {
		g.uses[key{e.Kind, e.ID}] = now
		e.Used = now
	}
}

func (g *Grants) left(e *entry) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.use(e)
	delete(g.entries, e)
}

// Need says which role the opened thing asks for: it ends when the role that
// its grant gives falls below. It refuses where that has happened already.
func Need(ctx context.Context, role store.Role) error {
	e, ok := ctx.Value(entryKey{}).(*entry)
	if !ok {
		return nil
	}
	e.of.mu.Lock()
	defer e.of.mu.Unlock()
	e.needs = role
	if e.Role < role {
		return ErrTakenBack
	}
	return nil
}

// letFinish takes a request out of the register that takes its own access back:
// its answer is still given.
func letFinish(ctx context.Context) {
	if e, ok := ctx.Value(entryKey{}).(*entry); ok {
		e.leave()
	}
}

// Open returns how many things are open.
func (g *Grants) Open() int {
	g.mu.Lock()
	defer g.mu.Unlock()
	return len(g.entries)
}

// watch asks again and again while anything is open, and ends when nothing is.
func (g *Grants) watch() {
	tick := time.NewTicker(recheckEvery)
	defer tick.Stop()
	for range tick.C {
		if g.idle() {
			return
		}
		g.expire()
		if n, err := g.store.AccessChanges(context.Background()); errors.Is(err, store.ErrClosed) {
			return
		} else if err != nil {
			g.log.Debug("changes of access not read", "err", err)
		} else if g.changed(n) {
			g.recheck(context.Background(), n)
		}
		g.write()
	}
}

// idle ends the watch where there is nothing to watch.
func (g *Grants) idle() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if len(g.entries) > 0 || len(g.uses) > 0 || g.writing {
		return false
	}
	g.watching = false
	return true
}

func (g *Grants) changed(n int64) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.stale || g.change != n
}

// expire ends what was opened with what has run out.
func (g *Grants) expire() {
	now := g.now()
	g.mu.Lock()
	defer g.mu.Unlock()
	for e := range g.entries {
		if !e.Expires.IsZero() && !e.Expires.After(now) {
			e.cancel(ErrTakenBack)
		}
	}
}

// TakenBack ends at once what depended on something that this process has just
// taken back.
func (g *Grants) TakenBack(ctx context.Context) {
	g.recheck(context.WithoutCancel(ctx), -1)
}

// recheck asks for every grant that something is open with whether it still
// stands, and ends what depended on one that does not. Change is the number of
// the change that it sees at least; -1 is unknown.
func (g *Grants) recheck(ctx context.Context, change int64) {
	g.mu.Lock()
	g.generation++ // who looked up before this must look again
	roles := map[key]store.Role{}
	for e := range g.entries {
		roles[key{e.Kind, e.ID}] = store.Nobody
	}
	g.mu.Unlock()
	gone, stale := map[key]bool{}, false
	for k := range roles {
		role, err := g.standing(ctx, k)
		switch {
		case problem.CodeOf(err) == problem.Denied:
			gone[k] = true
		case errors.Is(err, store.ErrClosed):
			return
		case err != nil:
			g.log.Error("access not checked again", "err", err)
			stale = true
			delete(roles, k)
		default:
			roles[k] = role
		}
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.stale = stale
	if change >= 0 {
		g.change = change
	}
	for e := range g.entries {
		k := key{e.Kind, e.ID}
		role, asked := roles[k]
		if !asked {
			continue // opened since, or not known: the next recheck tells
		}
		e.Role = role
		if gone[k] || role < e.needs {
			e.cancel(ErrTakenBack)
		}
	}
}

// standing returns the role that a grant gives now. Denied: it gives access no
// more.
func (g *Grants) standing(ctx context.Context, k key) (store.Role, error) {
	if k.kind == store.ShareKey {
		_, err := g.store.SharedByID(ctx, k.id)
		return store.Nobody, err
	}
	a, err := g.store.AccessByID(ctx, k.kind, k.id)
	return a.Role, err
}

// write stores the uses that were noted, beside the watch: a writer that is
// busy must not put off what is taken back.
func (g *Grants) write() {
	g.mu.Lock()
	defer g.mu.Unlock()
	if len(g.uses) == 0 || g.writing {
		return
	}
	uses := make([]store.Use, 0, len(g.uses))
	for k, at := range g.uses {
		uses = append(uses, store.Use{Kind: k.kind, ID: k.id, At: at})
	}
	clear(g.uses)
	g.writing = true
	go func() {
		err := g.store.Used(context.Background(), uses)
		if err != nil && !errors.Is(err, store.ErrClosed) {
			g.log.Warn("last uses not written", "err", err)
		}
		g.mu.Lock()
		defer g.mu.Unlock()
		g.writing = false
	}()
}
