// Package routes is what the server answers: pages, the JSON API, CSV and the
// live stream, one file per action. It is the only package that knows both how
// things are kept and how they look.
package routes

import (
	"bytes"
	"context"
	"log/slog"
	"net/http"
	"path/filepath"
	"sync/atomic"
	"time"

	"github.com/a-h/templ"
	"github.com/go-chi/chi/v5"
	"github.com/prometheus/client_golang/prometheus"

	"ohmkeep/assets"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/edge"
	"ohmkeep/server/health"
	"ohmkeep/server/keeping"
	"ohmkeep/server/lab"
	"ohmkeep/server/live"
	"ohmkeep/server/liverun"
	"ohmkeep/server/people"
	"ohmkeep/server/problem"
	"ohmkeep/server/signon"
	"ohmkeep/server/turn"
	"ohmkeep/store"
)

// Config is everything that the routes need from the program.
type Config struct {
	Store *store.Store
	Hub   *live.Hub
	// Lab carries out what people ask for.
	Lab  *lab.Lab
	Runs *liverun.Runs
	// Protocol is what a card must understand, for the page that says so.
	Protocol cardinfo.Reference
	// Firmware is the skeleton of a card's program, as a zip archive.
	Firmware []byte
	// Preparing says how far the demonstration lot is; nil where there is none.
	Preparing    func() (done, total int)
	PreparingLot string
	Hosts        []string     // further names of this server
	Proxies      edge.Proxies // who is believed of whom it speaks for
	Reports      *turn.Queue  // nil: one with the program's limits
	// Keeper checks and backs up; nil: one without a timetable.
	Keeper *keeping.Keeper
	// People is who may come in; nil: those of the store.
	People *people.People
	// SignOn is the lab's single sign-on; nil: it has none.
	SignOn *signon.Provider
	// Public is the address that links lead to, without a path; "": that of the
	// request.
	Public string
	// Health is what the server knows of its own state, and Metrics what a monitor
	// is told; nil: nothing.
	Health  *health.Monitor
	Metrics prometheus.Gatherer
	Log     *slog.Logger
	Version string
	Now     func() time.Time
}

// Server answers requests.
type Server struct {
	Config
	hosts  hosts
	inUse  func() *lab.Bench // read once in a request, by withBench
	served servedRuns
	// bodies are the bytes of large bodies that are being taken in.
	bodies atomic.Int64
}

// route is one line of the table of what the server answers.
type route struct {
	method, path string
	role         store.Role // the least role that may ask; store.Nobody is anybody
	class        class
	handle       func(http.ResponseWriter, *http.Request) error
}

// New builds the handler.
func New(cfg Config) http.Handler {
	return newServer(cfg).handler()
}

func newServer(cfg Config) *Server {
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Reports == nil {
		cfg.Reports = turn.NewQueue(turn.Limits{})
	}
	if cfg.Keeper == nil {
		cfg.Keeper = keeping.New(keeping.Config{Store: cfg.Store, Reports: cfg.Reports, Log: cfg.Log, Dir: filepath.Join(filepath.Dir(cfg.Store.Path()), "backups")})
	}
	if cfg.People == nil {
		cfg.People = people.New(people.Config{Store: cfg.Store, Log: cfg.Log})
	}
	return &Server{Config: cfg, hosts: cfg.Hosts, inUse: cfg.Lab.InUse}
}

func (s *Server) handler() http.Handler {
	s.Runs.DrawOn(s.newRunScreen)
	r := chi.NewRouter()
	r.Use(s.Proxies.Forwarded, edge.Strict, logged(s.Log), withWriteDeadlines, s.hosts.guard, headers, s.sameOriginOnly, s.identify, s.limitBody, s.withBench)
	r.NotFound(s.page(route{class: page, handle: func(http.ResponseWriter, *http.Request) error { return problem.NoSuch("page at this address") }}))
	r.Handle("/assets/*", assets.Handler())
	for _, e := range s.pages() {
		r.Method(e.method, e.path, s.page(e))
	}
	r.Route("/api/v1", func(r chi.Router) {
		r.NotFound(s.api(route{class: page, handle: func(http.ResponseWriter, *http.Request) error { return problem.NoSuch("resource at this address") }}))
		r.MethodNotAllowed(s.api(route{class: page, handle: func(http.ResponseWriter, *http.Request) error {
			return problem.New(problem.NoMethod, "This address does not answer to that method.")
		}}))
		for _, e := range s.endpoints() {
			r.Method(e.method, e.path, s.api(e.route))
		}
	})
	return r
}

// page wraps a page's handler: it checks the role, reads the form and shows
// errors as a page.
func (s *Server) page(e route) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		r = s.asClass(e.class, r)
		err := s.allow(e, r)
		if err == nil {
			err = readForm(r)
		}
		if err == nil {
			err = s.serve(e, w, r)
		}
		if err != nil {
			s.failPage(w, r, s.classify(r.Context(), err))
		}
	}
}

// api wraps an API handler: it checks the role and answers errors as problem
// details.
func (s *Server) api(e route) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		r = s.asClass(e.class, r)
		err := s.allow(e, r)
		if err == nil {
			err = s.serve(e, w, r)
		}
		if err != nil {
			p := s.classify(r.Context(), err)
			if p.Status == http.StatusUnauthorized {
				w.Header().Set("WWW-Authenticate", "Bearer")
			}
			writeProblem(w, r, p)
		}
	}
}

// show renders a page whole before the first byte goes out, so that an error
// never leaves half a page.
func show(ctx context.Context, w http.ResponseWriter, status int, c templ.Component) error {
	var buf bytes.Buffer
	if err := c.Render(ctx, &buf); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = buf.WriteTo(w) // the reader has gone
	return nil
}

// seeOther redirects after a form that has done its work (303).
func seeOther(w http.ResponseWriter, r *http.Request, to string) error {
	http.Redirect(w, r, to, http.StatusSeeOther)
	return nil
}
