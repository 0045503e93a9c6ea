package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"path/filepath"
	"time"

	"ohmkeep/server/demo"
	"ohmkeep/server/edge"
	"ohmkeep/server/health"
	"ohmkeep/server/keeping"
	"ohmkeep/server/lab"
	"ohmkeep/server/live"
	"ohmkeep/server/liverun"
	"ohmkeep/server/people"
	"ohmkeep/server/run"
	"ohmkeep/server/signon"
	"ohmkeep/server/turn"
	"ohmkeep/store"
)

// options are the command line's settings of the server.
type options struct {
	Listen string
	Data   string
	Hosts  string
	// Public is the address of this server in links; "": worked out from Listen.
	Public     string
	SessionAge time.Duration // of a signed-in browser; 0: the default
	// TLSCert and TLSKey are the files of the server's own certificate; "": plain HTTP.
	TLSCert, TLSKey string
	// Proxies are believed of whom they speak for.
	Proxies edge.Proxies
	// SignOn is the lab's single sign-on; nil: it has none.
	SignOn *signon.Provider
	// ControlIdle is after how long control of a bench lapses; 0: the default.
	ControlIdle time.Duration
	// CheckFresh is how long a step of a bench check speaks for the runs after it;
	// 0: the default.
	CheckFresh time.Duration
	Demo       bool
	// BenchSeed is which rehearsal bench is drawn; nil: the one of the last
	// seating, or benchSeed.
	BenchSeed *uint64
	// BackupDir is where backups go; empty: backups, beside the database.
	BackupDir   string
	BackupEvery time.Duration // 0: none by a timetable
	BackupKeep  int
	Log         *slog.Logger
	Announce    io.Writer // where the link goes
	// carryOut carries a step of a bench check out; nil: as it is.
	carryOut lab.CarryOut
	// ready, where it is set, is told when the program serves.
	ready func(*app)
	// lot are the units of the demonstration lot; nil: all of demo.Lot.
	lot []demo.LotUnit
}

// benchSeed is the random seed of the rehearsal bench's errors where none is
// given, and of the demonstration's.
const benchSeed = 48

// stopWithin is the time limit of an ordered stop.
const stopWithin = 10 * time.Second

// app is the running program: its parts and what stops them.
type app struct {
	options
	store    *store.Store
	compared bool // the store was held against its last known state, and what must be said is kept
	hub      *live.Hub
	reports  *turn.Queue
	benches  *benches
	runs     *liverun.Runs
	keeper   *keeping.Keeper
	health   *health.Monitor
	memory   *health.Gauge
	prepare  *preparation // of the demonstration lot; nil without one
	server   *http.Server
	cert     *edge.Certificate // nil: plain HTTP
	listener net.Listener
	unlock   func() error  // of the data directory
	tidied   chan struct{} // closed when interrupted deletions are completed; nil before
	tidyStop context.CancelFunc
	// besideOver is closed when what goes on beside everything else has ended: the
	// watches over control and over the single sign-on; nil before.
	besideOver chan struct{}
	besideStop context.CancelFunc
}

// serve runs the program until the context ends, and stops it in order.
func serve(ctx context.Context, o options) error {
	a, err := start(ctx, o)
	if err != nil {
		return err
	}
	failed := make(chan error, 1)
	go func() { failed <- a.listen() }()
	if err := a.announce(ctx); err != nil {
		return errors.Join(err, a.stop())
	}
	select {
	case err = <-failed:
	case <-ctx.Done():
		o.Log.Info("stopping")
	}
	return errors.Join(err, a.stop())
}

// start opens the database, makes the bench safe, and listens; nothing is
// served yet.
func start(ctx context.Context, o options) (_ *app, err error) {
	a := &app{options: o}
	defer func() {
		if err != nil {
			err = errors.Join(err, a.stop())
		}
	}()
	if o.TLSCert != "" {
		if a.cert, err = edge.OpenCertificate(o.TLSCert, o.TLSKey, o.Log); err != nil {
			return nil, err
		}
	}
	if a.listener, err = net.Listen("tcp", o.Listen); err != nil {
		return nil, err
	}
	if a.unlock, err = lockData(o.Data); err != nil {
		return nil, err
	}
	if err := a.openStore(ctx); err != nil {
		return nil, err
	}
	n, err := a.store.MarkInterrupted(ctx)
	if err != nil {
		return nil, err
	}
	if n > 0 {
		o.Log.Warn("runs were cut short by the last stop of the server", "runs", n)
	}
	handler, err := a.wire(ctx)
	if err != nil {
		return nil, err
	}
	a.keeper.Start()
	a.tidy(ctx)
	a.server = &http.Server{
		Handler: handler, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: time.Minute, IdleTimeout: 2 * time.Minute,
		ErrorLog: slog.NewLogLogger(o.Log.Handler(), slog.LevelWarn),
	}
	if a.cert != nil {
		a.server.TLSConfig = a.cert.Config()
	}
	return a, nil
}

// openStore opens the database, and says loudly where it is not the one that was
// here: to whoever starts the server, and to owners until one has taken note.
func (a *app) openStore(ctx context.Context) error {
	path := databasePath(a.Data)
	found, err := store.LookAt(path)
	if err != nil {
		return err
	}
	if a.store, err = store.Open(ctx, path, store.Options{}); err != nil {
		return err
	}
	notes, err := found.Compare(ctx, a.store)
	for _, text := range notes {
		a.Log.Error("LOOK AT THE DATABASE", "path", path, "what", text)
		err = errors.Join(err, a.store.AddNotice(ctx, text))
	}
	if err == nil && len(notes) > 0 {
		err = a.store.KeepState(ctx, false) // they are kept: the state file need not tell any more
	}
	a.compared = err == nil
	return err
}

// listen answers requests until the server is stopped.
func (a *app) listen() error {
	if a.cert != nil {
		return a.server.ServeTLS(a.listener, "", "") // by the configuration
	}
	return a.server.Serve(a.listener)
}

// base is the address that a browser on this machine can open.
func (a *app) base() string {
	return a.scheme() + "://" + browserAddress(a.listener.Addr().String())
}

func (a *app) scheme() string {
	if a.cert != nil {
		return "https"
	}
	return "http"
}

func databasePath(dir string) string { return filepath.Join(dir, "ohmkeep.db") }

// announce prints the link that signs a browser in as owner.
func (a *app) announce(ctx context.Context) error {
	key, err := a.store.NewStartKey(ctx, people.StartAge)
	if err != nil {
		return err
	}
	base := a.base()
	if a.Public != "" {
		if base, err = publicAddress(a.Public, a.scheme(), a.Listen); err != nil {
			return err
		}
	}
	_, err = fmt.Fprintf(a.Announce, "Ohmkeep is ready. Open this link to sign in; it works once, within a day:\n\n    %s/sign-in?key=%s\n\n", base, key)
	if err != nil {
		return err
	}
	a.Log.Info("serving", "address", base, "data", a.Data, "version", versionText())
	if len(a.Proxies) > 0 && a.Public == "" {
		a.Log.Warn("links lead past the proxy: say with -public how browsers reach it")
	}
	if a.ready != nil {
		a.ready(a)
	}
	return nil
}

// browserAddress returns an address that a browser can open, in place of one
// that means every interface.
func browserAddress(listen string) string {
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		return listen
	}
	if ip := net.ParseIP(host); ip != nil && ip.IsUnspecified() {
		host = "localhost"
	}
	return net.JoinHostPort(host, port)
}

// stop ends everything in order: no new requests, the run at work marked and
// the bench made safe, pages told, the database put to rest.
func (a *app) stop() error {
	ctx, cancel := context.WithTimeout(context.Background(), stopWithin)
	defer cancel()
	var errs []error
	if a.benches != nil {
		errs = append(errs, a.benches.close(ctx))
	}
	if a.prepare != nil {
		a.prepare.stop()
	}
	if a.reports != nil {
		a.reports.Close()
	}
	if a.hub != nil {
		a.hub.Close()
	}
	if a.server != nil {
		if err := a.server.Shutdown(ctx); err != nil {
			errs = append(errs, err, a.server.Close())
		}
	} else if a.listener != nil {
		errs = append(errs, a.listener.Close())
	}
	if a.tidied != nil {
		a.tidyStop()
		<-a.tidied
	}
	if a.health != nil {
		a.health.Close()
	}
	if a.keeper != nil {
		a.keeper.Close()
	}
	if a.besideOver != nil {
		a.besideStop()
		<-a.besideOver
	}
	if a.store != nil && a.compared {
		errs = append(errs, a.store.KeepState(ctx, true))
	}
	if a.store != nil {
		errs = append(errs, a.store.Close())
	}
	if a.unlock != nil {
		errs = append(errs, a.unlock()) // last: nothing of this server's is open any more
	}
	err := errors.Join(errs...)
	if err == nil {
		a.Log.Info("stopped")
	}
	return err
}

// The store is what runs are recorded in.
var _ run.Recorder = (*store.Store)(nil)
