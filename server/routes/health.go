package routes

import (
	"fmt"
	"net/http"

	"github.com/prometheus/client_golang/prometheus/promhttp"

	"ohmkeep/server/health"
	"ohmkeep/server/problem"
	"ohmkeep/store"
	"ohmkeep/web"
)

// health answers strangers in one line whether the server works, and shows those
// who are signed in what it knows of itself.
func (s *Server) health(w http.ResponseWriter, r *http.Request) error {
	if err := s.Store.Ping(r.Context()); err != nil {
		s.fault(r.Context(), "health", err)
		return problem.New(problem.Unavailable, "The database does not answer.")
	}
	if s.Health != nil && personOf(r.Context()).Role >= store.Viewer {
		return s.healthPage(w, r)
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, err := fmt.Fprintln(w, "ok", s.Version)
	return err
}

func (s *Server) healthPage(w http.ResponseWriter, r *http.Request) error {
	found := s.Health.Latest()
	p := web.HealthProps{Page: s.frame(r.Context(), "State of this server", "/about"), Version: s.Version, At: found.At}
	for _, f := range found.Facts {
		p.Facts = append(p.Facts, web.HealthFact{Title: f.Title, Level: f.Level.String(), Words: f.Words, Remedy: f.Remedy})
	}
	return show(r.Context(), w, http.StatusOK, web.Health(p))
}

// healthNotices are what everybody who is signed in must know on every page: that
// the disk will end a run, that something is damaged or that a clock is wrong.
func (s *Server) healthNotices() (out []web.Notice) {
	if s.Health == nil {
		return nil
	}
	for _, f := range s.Health.Latest().Facts {
		said := f.Key == "link" || f.Key == "damage" && len(s.Store.MetDamage()) > 0 // by notices of their own
		if f.Level == health.Trouble && !said {
			out = append(out, web.Notice{Kind: "problem", Text: f.Title + ": " + f.Words + " " + f.Remedy})
		}
	}
	return out
}

// apiHealth is what a monitor needs to know.
type apiHealth struct {
	Status  string `json:"status" doc:"ok; for who may read also attention or trouble"`
	Version string `json:"version"`
	// What follows is for who may read.
	At          string        `json:"at,omitempty" doc:"when this was found out (RFC 3339)"`
	FreeBytes   float64       `json:"freeBytes,omitempty" doc:"room on the disk of the database"`
	MemoryLeft  *float64      `json:"memoryLeftBytes,omitempty" doc:"memory that the program may still take; absent where this system does not tell"`
	MemoryLimit *float64      `json:"memoryLimitBytes,omitempty" doc:"the limit that is the nearest: GOMEMLIMIT, a control group, the address space or the machine"`
	HoursLeft   *float64      `json:"hoursLeft,omitempty" doc:"hours of measuring that the disk has room for at the present rate; absent where nothing is measured"`
	Facts       []health.Fact `json:"facts,omitempty"`
}

// apiHealth answers strangers whether the server works, and who may read what it
// knows of itself.
func (s *Server) apiHealth(w http.ResponseWriter, r *http.Request) error {
	answer := apiHealth{Status: "ok", Version: s.Version}
	if s.Health == nil || personOf(r.Context()).Role < store.Viewer {
		return reply(w, http.StatusOK, answer)
	}
	found := s.Health.Latest()
	if found.Level > health.Good {
		answer.Status = found.Level.String()
	}
	answer.At, answer.FreeBytes, answer.Facts = found.At.UTC().Format("2006-01-02T15:04:05Z"), float64(found.FreeBytes), found.Facts
	if m := found.Memory; m.Limit > 0 {
		left, limit := float64(m.Left), float64(m.Limit)
		answer.MemoryLeft, answer.MemoryLimit = &left, &limit
	}
	if hours := found.HoursLeft(); found.PerHour > 0 {
		answer.HoursLeft = &hours
	}
	return reply(w, http.StatusOK, answer)
}

// metrics is what a monitor is told in the text format of Prometheus.
func (s *Server) metrics(w http.ResponseWriter, r *http.Request) error {
	if s.Metrics == nil {
		return problem.NoSuch("page at this address")
	}
	promhttp.HandlerFor(s.Metrics, promhttp.HandlerOpts{}).ServeHTTP(w, r)
	return nil
}
