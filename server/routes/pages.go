package routes

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"time"
	"unicode"
	"unicode/utf8"

	"ohmkeep/server/bench"
	"ohmkeep/server/lab"
	"ohmkeep/server/quantity"
	"ohmkeep/store"
	"ohmkeep/web"
)

// pages is the table of all pages and of the forms on them. The pages that edit
// documents have tables of their own, beside their handlers.
func (s *Server) pages() []route {
	return slices.Concat(s.readingPages(), s.signInPages(), s.signOnPages(), s.sharedPages(), s.peoplePages(), s.accessPages(), s.deviceEditPages(), s.pinMapPages(), s.procedureEditPages(), s.checkPages(), s.bringUpPages(), s.cardCheckPages(), s.benchCheckPages(), s.correctionsPages(), s.protocolPages(), s.trafficPages(), s.benchEditPages(), s.dataPages())
}

func (s *Server) readingPages() []route {
	return []route{
		{"GET", "/", store.Viewer, page, s.homePage},
		{"GET", "/live", store.Viewer, control, s.homeLive},
		{"GET", "/health", store.Nobody, control, s.health},
		{"GET", "/metrics", store.Viewer, control, s.metrics},
		{"GET", "/about", store.Nobody, page, s.aboutPage},
		{"GET", "/understand", store.Viewer, page, s.understand},

		{"GET", "/devices", store.Viewer, page, s.devicesPage},
		{"GET", "/devices/{key}", store.Viewer, page, s.devicePage},
		{"GET", "/procedures/{key}", store.Viewer, page, s.procedurePage},

		{"GET", "/bench", store.Viewer, page, s.benchPage},
		{"GET", "/bench/strip/live", store.Viewer, control, s.stripLive},
		{"POST", "/bench/seat", store.Operator, page, s.seatForm},
		{"POST", "/bench/faults", store.Operator, page, s.faultsForm},
		{"POST", "/bench/safe", store.Viewer, control, s.safeForm},
		{"POST", "/bench/control", store.Operator, control, s.controlForm},

		{"GET", "/manual", store.Viewer, page, s.manualPage},
		{"POST", "/manual/measure", store.Operator, page, s.manualMeasure},
		{"POST", "/manual/stop", store.Operator, control, s.manualStop},
		{"POST", "/manual/keep", store.Operator, page, s.manualKeep},

		{"GET", "/runs", store.Viewer, page, s.runsPage},
		{"POST", "/runs", store.Operator, control, s.startForm},
		{"GET", "/runs.csv", store.Viewer, report, s.csvHistory},
		{"GET", "/runs/wide.csv", store.Viewer, report, s.csvWide},
		{"GET", "/compare", store.Viewer, report, s.comparePage},
		{"GET", "/runs/{id}", store.Viewer, page, s.runPage},
		{"GET", "/runs/{id}/live", store.Viewer, control, s.runLive},
		{"GET", "/runs/{id}/results.csv", store.Viewer, report, s.csvResults},
		{"GET", "/runs/{id}/budgets.csv", store.Viewer, report, s.csvBudgets},
		{"GET", "/runs/{id}/readings.csv", store.Viewer, report, s.csvReadings},
		{"POST", "/runs/{id}/stop", store.Operator, control, s.stopForm},
		{"POST", "/runs/{id}/note", store.Operator, page, s.noteForm},
		{"POST", "/runs/{id}/rerun", store.Operator, control, s.rerunForm},
		{"POST", "/runs/{id}/share", store.Operator, page, s.shareForm},
		{"POST", "/runs/{id}/share/revoke", store.Operator, page, s.revokeForm},
		{"POST", "/runs/{id}/delete", store.Owner, page, s.deleteForm},
	}
}

// frame returns what surrounds every page: its title, the person and the
// bench.
func (s *Server) frame(ctx context.Context, title, section string) web.Page {
	who := personOf(ctx)
	p := web.Page{Title: title, Section: section, Public: who.Role == store.Nobody}
	if !p.Public {
		p.User, p.Role, p.Bench = who.Name, who.Role.String(), s.brief(ctx)
		p.Notices = append(s.healthNotices(), s.keepingNotices(ctx, who.Role >= store.Owner)...)
		p.Strip, p.Key = "/bench/strip/live", who.Session
	}
	return p
}

// brief returns the bench as the head of each page shows it.
func (s *Server) brief(ctx context.Context) web.BenchBrief {
	now := s.bench(ctx).Now()
	b := web.BenchBrief{Name: s.bench(ctx).Definition.Name, State: now.State, Run: now.Run}
	c := s.Lab.Control(s.bench(ctx))
	b.Holder, b.HolderKey, b.Asks, b.Lapses, b.Why = c.Holder, c.Session, c.Asks, c.Lapses, c.Why
	switch now.State {
	case bench.Unknown:
		b.Fault, b.Remedy = now.Reason, s.bench(ctx).Remedy()
	case bench.Energised:
		b.ByHand, b.AtHand = s.bench(ctx).ByHand(), "/bench/bring-up"
		if now.Work != "" {
			b.AtHand = "/bench/check"
		}
	}
	if s.bench(ctx).IsManual(now.Run) {
		b.Run = ""
	}
	if q, err := s.Lab.Seated(ctx, s.bench(ctx)); err == nil && s.bench(ctx).Rehearse != nil {
		b.Seated = s.seatedWords(ctx, q)
	}
	b.Check = s.checkBrief(ctx)
	return b
}

// seatedWords describes in a few words what is in the socket.
func (s *Server) seatedWords(ctx context.Context, q *bench.Seating) string {
	if q == nil || q.Model == "" || q.Model == lab.NothingSeated {
		return "nothing"
	}
	words := modelTitle(s.bench(ctx).Rehearse, q.Model)
	if q.Device != "" {
		words = q.Device
		if d, err := s.Store.GetDevice(ctx, q.Device, 0); err == nil {
			words = d.Body.Name
		}
	}
	if q.Serial != "" {
		words += ", unit " + q.Serial
	}
	if n := len(q.UnitFaults) + len(q.BenchFaults); n == 1 {
		words += ", 1 fault seated"
	} else if n > 1 {
		words += fmt.Sprintf(", %d faults seated", n)
	}
	return words
}

func modelTitle(r lab.Rehearser, key string) string {
	for _, m := range r.Models() {
		if m.Key == key {
			return m.Title
		}
	}
	return key
}

// failPage shows an error as a page; those who are not signed in are asked to
// sign in.
func (s *Server) failPage(w http.ResponseWriter, r *http.Request, p *Problem) {
	comeAgain(w, p.Status)
	ctx := context.WithoutCancel(r.Context()) // who has gone, or whose access was taken back, gets it drawn too
	var err error
	switch {
	case p.Status == http.StatusUnauthorized && r.Method == http.MethodGet && r.URL.Path == "/sign-in",
		p.Status == http.StatusUnauthorized && personOf(r.Context()).Role == store.Nobody:
		reason := p.Detail
		if r.Method == http.MethodGet && r.URL.Path == "/" {
			reason = ""
		}
		err = show(ctx, w, p.Status, web.SignIn(web.SignInProps{Page: s.frame(ctx, "Sign in", ""), Reason: reason}))
	default:
		e := web.ErrorProps{Page: s.frame(ctx, p.Title, ""), Status: p.Status, What: p.Title, Advice: advice[p.Status]}
		if p.Detail != "" {
			e.What = sentence(p.Detail)
		}
		err = show(ctx, w, p.Status, web.Error(e))
	}
	if err != nil {
		s.Log.Error("error page not drawn", "err", err)
		http.Error(w, p.Title, p.Status)
	}
}

// advice is the text of an error page that says what to do, by HTTP status.
var advice = map[int]string{
	http.StatusNotFound:            "It may have been deleted, or the address is not complete. Runs lists everything that is kept.",
	http.StatusForbidden:           "Ask somebody whose role allows it.",
	http.StatusConflict:            "Go back, look at the page again, and try once more.",
	http.StatusUnprocessableEntity: "Go back: what was entered is still there.",
	http.StatusServiceUnavailable:  "What has been measured is safe on disk. Wait a little, then load this page again.",
	http.StatusInternalServerError: "What has been measured is safe on disk. Try again; if it stays, look into the server’s log.",
}

// sentence returns a text with a capital first letter.
func sentence(text string) string {
	r, n := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(r)) + text[n:]
}

func (s *Server) aboutPage(w http.ResponseWriter, r *http.Request) error {
	return show(r.Context(), w, http.StatusOK, web.About(web.AboutProps{Page: s.frame(r.Context(), "About", "/about"), Version: s.Version}))
}

// understand is the JSON answer that shows how a typed quantity is read, for
// the line under its field.
func (s *Server) understand(w http.ResponseWriter, r *http.Request) error {
	unit := quantity.Unit(r.URL.Query().Get("unit"))
	answer := struct {
		Text  string   `json:"text,omitempty"`
		Value *float64 `json:"value,omitempty"`
		Error string   `json:"error,omitempty"`
	}{}
	if v, err := quantity.Parse(r.URL.Query().Get("text"), unit); err != nil {
		answer.Error = err.Error()
	} else {
		answer.Text, answer.Value = quantity.Format(v, unit, digitsOf(v)), &v
	}
	return reply(w, http.StatusOK, answer)
}

// digitsOf returns how many significant digits show a typed value in full, 3
// to 12.
func digitsOf(v float64) int {
	for n := 1; n < 12; n++ {
		if r := math.Abs(v); r == 0 || math.Abs(roundTo(r, n)-r) <= 1e-12*r {
			return max(n, 3)
		}
	}
	return 12
}

func roundTo(v float64, digits int) float64 {
	scale := math.Pow(10, float64(digits)-1-math.Floor(math.Log10(v)))
	return math.Round(v*scale) / scale
}

// took returns how long a run lasted, or lasts so far.
func (s *Server) took(started, ended time.Time) time.Duration {
	if ended.IsZero() {
		return s.Now().Sub(started)
	}
	return ended.Sub(started)
}
