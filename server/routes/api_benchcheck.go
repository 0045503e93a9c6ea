package routes

import (
	"context"
	"net/http"
	"time"

	"github.com/go-chi/chi/v5"

	"ohmkeep/server/apidoc"
	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/lab"
	"ohmkeep/store"
)

// The bench's check of itself, by the API.

func (s *Server) benchCheckEndpoints() []endpoint {
	const tag = "bench check"
	return []endpoint{
		{route: route{"GET", "/benches/{key}/bench-check", store.Viewer, page, s.ofBench(s.apiBenchCheckNow)}, id: "getBenchCheckNow", tag: tag,
			summary: "The step of a bench check at work, and the check that the next step joins with what was found so far.", response: apiBenchCheckNow{}},
		{route: route{"POST", "/benches/{key}/bench-check", store.Operator, page, s.ofBench(s.apiBenchCheckStart)}, id: "startBenchCheck", tag: tag, status: http.StatusAccepted,
			summary: "Carry out steps of the bench check that need the same thing in the socket, in the background; the bench is made safe afterwards. Each step is kept when it is over. " +
				"On a bench with cards, what has to be in the socket is confirmed each time.", request: apiBenchCheckRequest{}, response: apiBenchCheckNow{}},
		{route: route{"POST", "/benches/{key}/bench-check/stop", store.Operator, control, s.ofBench(s.apiBenchCheckStop)}, id: "stopBenchCheck", tag: tag, status: http.StatusNoContent,
			summary: "Break off the step at work; nothing of it is kept."},
		{route: route{"POST", "/benches/{key}/bench-check/end", store.Operator, page, s.ofBench(s.apiBenchCheckEnd)}, id: "endBenchCheck", tag: tag,
			summary: "End the open check as it is: the next step begins a new one. A check of which all steps are done and good ends by itself.", response: apiBenchCheck{}},
		{route: route{"POST", "/benches/{key}/bench-check/seat-back", store.Operator, page, s.ofBench(s.apiBenchCheckSeatBack)}, id: "seatBack", tag: tag, status: http.StatusNoContent,
			summary: "Put back what was in the socket of the rehearsal bench before the check put its plugs there."},
		{route: route{"GET", "/benches/{key}/bench-checks", store.Viewer, page, s.apiBenchChecks}, id: "listBenchChecks", tag: tag, query: checkPageParams,
			summary: "The checks of a bench, newest first, without what was measured.", response: apiList[apiBenchCheck]{}},
		{route: route{"GET", "/bench-checks/{id}", store.Viewer, page, s.apiBenchCheckGet}, id: "getBenchCheck", tag: tag,
			summary: "A check of a bench with all that was measured.", response: apiBenchCheck{}},
	}
}

var checkPageParams = []param{
	apidoc.Query("limit", "The most checks to answer with; 50 where it is left out.", apidoc.Whole(1, 200)),
	apidoc.Query("cursor", "Where to go on: next of the answer before.", apidoc.Text(64)),
}

// apiBenchCheckRequest is the JSON request that carries out steps of a bench
// check.
type apiBenchCheckRequest struct {
	Steps   []check.Step `json:"steps" doc:"steps that need the same thing in the socket, one after the other"`
	Seat    bool         `json:"seat,omitempty" doc:"in the rehearsal: put into the socket what they need first; the faults of the bench stay"`
	Confirm []string     `json:"confirm,omitempty" doc:"names of what is confirmed; what has to be in the socket is asked each time"`
}

// apiBenchCheckNow is the JSON of the step of a bench check at work, and of the
// check that the next one joins.
type apiBenchCheckNow struct {
	Running check.Step     `json:"running,omitempty" doc:"the step at work; absent: none"`
	By      string         `json:"by,omitempty" doc:"who started the last step"`
	Since   time.Time      `json:"since,omitzero" doc:"when the last step was started; absent: none since the server started"`
	Done    int            `json:"done" doc:"readings that it has taken"`
	Of      int            `json:"of" doc:"readings that it needs, about"`
	Broken  check.Step     `json:"broken,omitempty" doc:"the last step, where it was broken off"`
	Problem string         `json:"problem,omitempty" doc:"why it was broken off; nothing of it was kept"`
	Open    *apiBenchCheck `json:"open,omitempty" doc:"the check that the next step joins; absent: it begins a new one"`
}

// apiBenchCheck is the JSON of a check of a bench.
type apiBenchCheck struct {
	ID      string        `json:"id"`
	Bench   string        `json:"bench" doc:"key of the bench"`
	Verdict check.Verdict `json:"verdict,omitempty" doc:"absent: what is stored is damaged"`
	By      string        `json:"by" doc:"who began it"`
	Began   time.Time     `json:"began"`
	At      time.Time     `json:"at" doc:"end of its newest step"`
	Ended   time.Time     `json:"ended,omitzero" doc:"absent: steps may follow"`
	Damaged string        `json:"damaged,omitempty" doc:"why it says nothing"`
	Done    []check.Step  `json:"done" doc:"steps that were done"`
	Skipped []check.Step  `json:"skipped" doc:"steps that were not done"`
	Faults  []string      `json:"faults" doc:"what was found that spoils results, in words"`
	// Identity and Steps are absent in lists.
	Identity *bench.Identity `json:"identity,omitempty" doc:"what the bench said of itself; absent in lists"`
	Steps    []apiBenchStep  `json:"steps,omitempty" doc:"all that was found and measured; absent in lists"`
}

// apiBenchStep is the JSON of one step of a bench check.
type apiBenchStep struct {
	Step     check.Step           `json:"step"`
	Began    time.Time            `json:"began"`
	Ended    time.Time            `json:"ended"`
	Took     float64              `json:"took" doc:"time of the bench that it took, in seconds"`
	Readings int                  `json:"readings" doc:"readings taken"`
	Findings []apiBenchFinding    `json:"findings"`
	Paths    []check.PathValue    `json:"paths" doc:"closed paths as measured"`
	Leakages []check.ContactValue `json:"leakages" doc:"leakage of all open switches at each contact, in siemens"`
	Contacts []check.ContactValue `json:"contacts" doc:"resistance between each contact and the plug, in ohms"`
	Channels []check.Difference   `json:"channels" doc:"each channel against what all say together"`
}

// apiBenchFinding is the JSON of one thing that is not as the bench's definition
// says.
type apiBenchFinding struct {
	Kind     check.Kind        `json:"kind"`
	Fault    bool              `json:"fault" doc:"whether results are not to be trusted because of it"`
	Said     string            `json:"said" doc:"what seems to be wrong, in words"`
	Do       string            `json:"do,omitempty" doc:"what to do about it"`
	Evidence []string          `json:"evidence,omitempty" doc:"what was measured that says so"`
	Mux      string            `json:"mux,omitempty" doc:"the multiplexer"`
	Paths    []bench.PathID    `json:"paths,omitempty" doc:"numbers of the paths"`
	Contacts []int             `json:"contacts,omitempty" doc:"contacts of the socket"`
	Channels []bench.ChannelID `json:"channels,omitempty" doc:"numbers of the channels"`
}

func benchStepOf(r *check.StepResult) apiBenchStep {
	out := apiBenchStep{Step: r.Step, Began: r.Began, Ended: r.Ended, Took: r.Took, Readings: r.Readings,
		Paths: r.Paths, Leakages: r.Leakages, Contacts: r.Contacts, Channels: r.Channels}
	for _, f := range r.Findings {
		out.Findings = append(out.Findings, apiBenchFinding(f))
	}
	return out
}

func benchCheckOf(c *store.BenchCheck, whole bool) apiBenchCheck {
	out := apiBenchCheck{ID: c.ID, Bench: c.Bench, Verdict: c.Verdict, By: c.By, Began: c.Began, At: c.At, Ended: c.Ended, Damaged: c.Damaged}
	if c.Record == nil {
		return out
	}
	for _, r := range c.Record.Steps {
		out.Done = append(out.Done, r.Step)
		for _, f := range r.Findings {
			if f.Fault {
				out.Faults = append(out.Faults, f.Said)
			}
		}
	}
	for _, info := range c.Record.Skipped() {
		out.Skipped = append(out.Skipped, info.Step)
	}
	if whole {
		out.Identity = &c.Record.Identity
		for i := range c.Record.Steps {
			out.Steps = append(out.Steps, benchStepOf(&c.Record.Steps[i]))
		}
	}
	return out
}

// benchCheckNow gathers what is at work and what is open.
func (s *Server) benchCheckNow(ctx context.Context, b *lab.Bench) (apiBenchCheckNow, error) {
	now, _ := b.BenchCheck()
	out := apiBenchCheckNow{Running: now.Running, By: now.By, Since: now.Since, Done: now.Done, Of: now.Of, Broken: now.Broken, Problem: now.Err}
	open, err := s.Lab.OpenCheck(ctx, b)
	if err != nil || open == nil {
		return out, err
	}
	kept, err := s.Store.GetCheck(ctx, open.ID)
	if err != nil {
		return out, err
	}
	c := benchCheckOf(kept, true)
	out.Open = &c
	return out, nil
}

func (s *Server) apiBenchCheckNow(w http.ResponseWriter, r *http.Request) error {
	now, err := s.benchCheckNow(r.Context(), s.bench(r.Context()))
	if err != nil {
		return err
	}
	return reply(w, http.StatusOK, now)
}

func (s *Server) apiBenchCheckStart(w http.ResponseWriter, r *http.Request) error {
	q, err := decode[apiBenchCheckRequest](r)
	if err != nil {
		return err
	}
	b := s.bench(r.Context())
	if err := s.Lab.CheckBench(r.Context(), b, personOf(r.Context()), lab.CheckRequest{Steps: q.Steps, Seat: q.Seat, Confirm: q.Confirm}); err != nil {
		return err
	}
	now, err := s.benchCheckNow(r.Context(), b)
	if err != nil {
		return err
	}
	return reply(w, http.StatusAccepted, now)
}

func (s *Server) apiBenchCheckStop(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.StopBenchCheck(r.Context(), s.bench(r.Context()), personOf(r.Context())); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}

func (s *Server) apiBenchCheckEnd(w http.ResponseWriter, r *http.Request) error {
	ended, err := s.Lab.EndBenchCheck(r.Context(), s.bench(r.Context()), personOf(r.Context()))
	if err != nil {
		return err
	}
	kept, err := s.Store.GetCheck(r.Context(), ended.ID)
	if err != nil {
		return err
	}
	return reply(w, http.StatusOK, benchCheckOf(kept, true))
}

func (s *Server) apiBenchCheckSeatBack(w http.ResponseWriter, r *http.Request) error {
	if err := s.Lab.SeatBack(r.Context(), s.bench(r.Context()), personOf(r.Context())); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}

func (s *Server) apiBenchChecks(w http.ResponseWriter, r *http.Request) error {
	if _, err := s.storedBench(r.Context(), chi.URLParam(r, "key")); err != nil {
		return err
	}
	q := r.URL.Query()
	list, next, err := s.Store.ListChecks(r.Context(), chi.URLParam(r, "key"), q.Get("cursor"), number(q, "limit", 50))
	if err != nil {
		return err
	}
	out := apiList[apiBenchCheck]{Items: []apiBenchCheck{}, Next: next}
	for i := range list {
		out.Items = append(out.Items, benchCheckOf(&list[i], false))
	}
	return reply(w, http.StatusOK, out)
}

func (s *Server) apiBenchCheckGet(w http.ResponseWriter, r *http.Request) error {
	c, err := s.Store.GetCheck(r.Context(), chi.URLParam(r, "id"))
	if err != nil {
		return err
	}
	return reply(w, http.StatusOK, benchCheckOf(c, true))
}
