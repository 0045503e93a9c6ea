package routes

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/lab"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/server/run"
	"ohmkeep/server/talk"
	"ohmkeep/web"
)

const (
	keptSteps   = 40  // calls that are listed
	stepEvents  = 200 // events of one call
	stepWithin  = 2 * time.Second
	stepLooking = 5 * time.Millisecond
)

// stepping is one measurement whose calls to the link a person lets through.
type stepping struct {
	mu    sync.Mutex
	place *lab.Bench
	run   string
	what  string
	from  uint64 // number of the last event when the last call was let through
	seen  int    // the last call that is in done
	done  []web.StepRow
	left  int // calls that are not listed any more
	// occasion is what is energised by it: whoever lets a call through has
	// confirmed it as whoever starts.
	occasion occasion
}

// observe takes in the call that was made last.
func (st *stepping) observe(protocol *talk.Reference) {
	last, ok := st.place.Stepper.Last()
	if !ok || last.N <= st.seen {
		return
	}
	row := web.StepRow{N: last.N, Words: last.Words(&st.place.Definition), Values: sampleWords(&st.place.Definition, last.Samples), Err: errText(last.Err)}
	if st.place.Cards != nil {
		row.Rows = web.NewDecoder(protocol).Rows(st.place.Cards.Recent(st.from, stepEvents))
		if n := len(row.Rows); n > 0 {
			st.from = row.Rows[n-1].N
		}
	}
	st.seen = last.N
	st.done = append([]web.StepRow{row}, st.done...)
	if over := len(st.done) - keptSteps; over > 0 {
		st.done, st.left = st.done[:keptSteps], st.left+over
	}
}

// sampleWords says what was read.
func sampleWords(d *bench.Definition, samples []bench.Sample) []string {
	var out []string
	for _, x := range samples {
		name := channelName(d, x.Channel)
		if name == "" {
			name = fmt.Sprint(x.Channel)
		}
		words := fmt.Sprintf("%s: %s, %s", name, quantity.Format(x.V, quantity.Volt, 8), quantity.Format(x.I, quantity.Ampere, 8))
		if flags := x.Flags.Words(); len(flags) > 0 {
			words += ", " + strings.Join(flags, ", ")
		}
		out = append(out, words)
	}
	return out
}

// stepProps is what can be stepped through, and how far it has come.
func (s *Server) stepProps(ctx context.Context) (web.StepProps, error) {
	p := s.stepView()
	p.Form = web.Form{ID: "step", Values: url.Values{}}
	if s.bench(ctx).Stepper == nil {
		return p, nil
	}
	maps, err := s.Store.ListPinMaps(ctx, "", s.bench(ctx).Definition.Key)
	if err != nil {
		return p, err
	}
	mapped := map[string]bool{}
	for _, m := range maps {
		mapped[m.Body.Device] = true
	}
	procs, err := s.Store.ListProcedures(ctx, "")
	if err != nil {
		return p, err
	}
	names, err := s.deviceNames(ctx)
	if err != nil {
		return p, err
	}
	for _, q := range procs {
		if !mapped[q.Body.Device] {
			continue
		}
		for i, m := range q.Body.Measurements {
			p.Choices = append(p.Choices, web.Option{Value: q.Body.Key + ":" + strconv.Itoa(i), Label: m.Name, Group: names[q.Body.Device] + ", " + q.Body.Name})
		}
	}
	p.Can = len(p.Choices) > 0
	return p, nil
}

// stepView is how far the measurement that is stepped through has come.
func (s *Server) stepView() web.StepProps {
	st := &s.stepping
	st.mu.Lock()
	defer st.mu.Unlock()
	p := web.StepProps{Can: true, What: st.what}
	if st.run == "" || st.place != s.at() {
		return p
	}
	st.observe(&s.Protocol)
	p.Done, p.Left = append(p.Done, st.done...), st.left
	if p.Active = s.at().Station.Snapshot().Run == st.run; !p.Active {
		p.Ended = s.stepEnding(st.run)
		return p
	}
	if next, waits := st.place.Stepper.Pending(); waits {
		p.Pending = &web.StepRow{N: next.N, Words: next.Words(&st.place.Definition)}
	}
	return p
}

// stepEnding says how a measurement that was stepped through has ended.
func (s *Server) stepEnding(id string) string {
	manualID, memory, _, _ := s.manual.get()
	if manualID != id || memory == nil {
		return "It has ended."
	}
	h := memory.Held()
	if h.Ending == nil {
		return "It has ended."
	}
	words := "It has ended: " + string(h.Ending.Status)
	if h.Ending.Reason != "" {
		words += ", " + h.Ending.Reason
	}
	for _, r := range h.Results {
		words += "; " + r.Name + " " + quantity.Pair(r.Value, r.U, r.Unit)
	}
	return words + ". The bench is " + string(s.snapshot().State) + "."
}

// chosenStep is the measurement that a form asks for, as a procedure of its own.
func (s *Server) chosenStep(ctx context.Context, text string) (*procedure.Record, error) {
	key, index, _ := strings.Cut(text, ":")
	q, err := s.Store.GetProcedure(ctx, key, 0)
	i, wrong := strconv.Atoi(index)
	if err != nil || wrong != nil || i < 0 || i >= len(q.Body.Measurements) {
		return nil, problem.Field("measurement", "choose a measurement")
	}
	d, err := s.Store.GetDevice(ctx, q.Body.Device, 0)
	if err != nil {
		return nil, err
	}
	one := q.Body
	one.Measurements = one.Measurements[i : i+1 : i+1]
	one.Measurements[0].Disabled = false
	return &procedure.Record{Device: d.Body, DeviceRev: d.Rev, Procedure: one, ProcRev: q.Rev, Manual: true}, nil
}

// step begins to step through a measurement.
func (s *Server) step(ctx context.Context, who lab.Person, text string, confirm []string) error {
	p := s.bench(ctx)
	if p.Stepper == nil {
		return problem.New(problem.Conflict, "This bench has no stepper.")
	}
	rec, err := s.chosenStep(ctx, text)
	if err != nil {
		return err
	}
	pm, err := s.Store.GetPinMap(ctx, rec.Device.Key, p.Definition.Key, 0)
	if problem.CodeOf(err) == problem.NotFound {
		return problem.Field("measurement", "its device has no pin map for this bench yet")
	}
	if err != nil {
		return err
	}
	st := &s.stepping
	st.mu.Lock()
	defer st.mu.Unlock()
	if p.Station.Snapshot().Run != "" {
		return run.ErrBusy
	}
	from := lastEvent(p)
	p.Stepper.On(true)
	id, err := s.startManual(ctx, who, rec, manualValues(nil, rec.Device.Key), confirm)
	if err != nil {
		p.Stepper.On(false)
		return err
	}
	st.place, st.run, st.from, st.seen, st.done, st.left = p, id, from, 0, nil, 0
	st.occasion = occasion{device: &rec.Device, deviceRev: rec.DeviceRev, pinMap: &rec.PinMap, rev: pm.Rev}
	st.what = rec.Procedure.Measurements[0].Name + ", " + rec.Device.Name
	go func() { // the next run is not to wait for anybody
		for p.Station.Snapshot().Run == id {
			_ = p.Station.Wait(context.Background())
		}
		p.Stepper.On(false)
	}()
	return nil
}

// lastEvent is the number of the newest event there is.
func lastEvent(p *lab.Bench) uint64 {
	if p.Cards == nil {
		return 0
	}
	if list := p.Cards.Recent(0, 1); len(list) > 0 {
		return list[0].N
	}
	return 0
}

// stepNext lets call n through and waits a while for what comes of it. A call
// that does not wait any more is left alone. It energises the bench as a start
// does: whoever asks holds control and has confirmed; confirm is what is now.
func (s *Server) stepNext(ctx context.Context, who lab.Person, n int, confirm []string) error {
	st := &s.stepping
	st.mu.Lock()
	p, id, o := st.place, st.run, st.occasion
	st.mu.Unlock()
	if p == nil || p != s.bench(ctx) || p.Stepper == nil || p.Station.Snapshot().Run != id {
		return s.mayUse(who)
	}
	if _, err := s.confirm(ctx, who, confirm, o); err != nil {
		return err
	}
	if err := s.stillHeld(who); err != nil {
		return err
	}
	st.mu.Lock()
	st.observe(&s.Protocol)
	st.from = lastEvent(p)
	st.mu.Unlock()
	if !p.Stepper.Next(n) {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, stepWithin)
	defer cancel()
	look := time.NewTicker(stepLooking)
	defer look.Stop()
	for p.Station.Snapshot().Run == id {
		if last, ok := p.Stepper.Last(); ok && last.N >= n {
			break
		}
		select {
		case <-look.C:
		case <-ctx.Done():
			return nil // it takes longer: the page shows it when it is made
		}
	}
	st.mu.Lock()
	defer st.mu.Unlock()
	if st.run == id {
		st.observe(&s.Protocol)
	}
	return nil
}

func (s *Server) stepForm(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return err
	}
	f := r.PostForm
	err := s.step(r.Context(), personOf(r.Context()), f.Get("measurement"), f["confirm"])
	if err == nil {
		return seeOther(w, r, "/bench/bring-up#step")
	}
	e := classify(err, s.Log)
	if e.ask != nil {
		return s.askToConfirm(w, r, e, "Step through it")
	}
	p, err := s.bringUpProps(r.Context(), url.Values{})
	if err != nil {
		return err
	}
	p.Steps.Form = formOf("step", f, e, nil)
	return show(r.Context(), w, e.Status, web.BringUp(p))
}

func (s *Server) stepNextForm(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return err
	}
	n, _ := strconv.Atoi(r.PostForm.Get("n")) // none lets nothing through
	if err := s.stepNext(r.Context(), personOf(r.Context()), n, r.PostForm["confirm"]); err != nil {
		if e := classify(err, s.Log); e.ask != nil {
			return s.askToConfirm(w, r, e, "Let the call through")
		}
		return err
	}
	return seeOther(w, r, "/bench/bring-up#step")
}

func (s *Server) stepStopForm(w http.ResponseWriter, r *http.Request) error {
	s.stepping.mu.Lock()
	id := s.stepping.run
	s.stepping.mu.Unlock()
	err := s.stopRun(r.Context(), personOf(r.Context()), id)
	if err != nil && asConflict(err, s) == nil {
		return err
	}
	return seeOther(w, r, "/bench/bring-up#step")
}
