package lab

import (
	"context"
	"errors"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/problem"
)

// measuring has steps carried out by a function of the test's own. Its clock
// moves on by a minute with each.
func (r *rig) measuring(f func(ctx context.Context, rig check.Rig, step check.Step) (check.StepResult, error)) {
	r.CarryOut = func(ctx context.Context, rig check.Rig, step check.Step) (check.StepResult, error) {
		began := rig.Clock.Now()
		_ = r.clock.Sleep(ctx, time.Minute)
		x, err := f(ctx, rig, step)
		x.Began, x.Ended = began, rig.Clock.Now()
		return x, err
	}
}

// sound is a step that finds nothing.
func sound(_ context.Context, rig check.Rig, _ check.Step) (check.StepResult, error) {
	rig.Progress(7, 10)
	return check.StepResult{Readings: 10, Findings: []check.Finding{}}, nil
}

// floats is a step that finds a fault.
func floats(context.Context, check.Rig, check.Step) (check.StepResult, error) {
	return check.StepResult{Findings: []check.Finding{{Kind: check.EnableFloats, Fault: true, Said: "the enable seems to float"}}}, nil
}

// stepEnds waits until no step of a check is at work.
func (r *rig) stepEnds(t testing.TB) BenchCheck {
	t.Helper()
	for {
		if c, _ := r.b.BenchCheck(); c.Running == "" {
			return c
		}
		runtime.Gosched()
	}
}

func (r *rig) step(t testing.TB, step check.Step) BenchCheck {
	t.Helper()
	must(t, r.CheckBench(t.Context(), r.b, ada, CheckRequest{Steps: []check.Step{step}}))
	return r.stepEnds(t)
}

// verdicts are those of all checks of the bench, newest first.
func (r *rig) verdicts(t testing.TB) (out []check.Verdict) {
	t.Helper()
	list, _, err := r.Store.ListChecks(t.Context(), r.b.Definition.Key, "", 20)
	must(t, err)
	for _, c := range list {
		out = append(out, c.Verdict)
	}
	return out
}

// TestBenchCheckGoesOn: steps join one check, each is stored at once, and the
// last good one ends it; the next begins another.
func TestBenchCheckGoesOn(t *testing.T) {
	r := newRig(t)
	r.measuring(sound)
	var before []int
	r.measuring(func(ctx context.Context, rig check.Rig, step check.Step) (check.StepResult, error) {
		n := -1
		if rig.Before != nil {
			n = len(rig.Before.Steps)
		}
		before = append(before, n)
		return sound(ctx, rig, step)
	})
	for i, want := range []check.Verdict{check.Partly, check.Partly, check.Partly, check.Good} {
		if at := r.step(t, check.Steps()[i].Step); at.Err != "" || at.Done != 7 || at.Of != 10 || at.By != "Ada" {
			t.Errorf("step %d: %+v", i, at)
		}
		if got := r.verdicts(t); len(got) != 1 || got[0] != want {
			t.Errorf("after step %d: %q, want one that is %s", i, got, want)
		}
		open, err := r.OpenCheck(t.Context(), r.b)
		must(t, err)
		if (open == nil) != (want == check.Good) {
			t.Errorf("after step %d the open check is %+v", i, open)
		}
	}
	if !slices.Equal(before, []int{-1, 1, 2, 3}) {
		t.Errorf("the steps knew of %v steps before", before)
	}
	last, err := r.LastCheck(t.Context(), r.b.Definition.Key)
	must(t, err)
	if last.Verdict != check.Good || last.By != "Ada" || !last.Record.Identity.Rehearsal || last.Ended.IsZero() {
		t.Errorf("%+v", last)
	}
	r.step(t, check.Empty)
	if got := r.verdicts(t); !slices.Equal(got, []check.Verdict{check.Partly, check.Good}) {
		t.Errorf("a step after a whole check: %q", got)
	}
	if lines := r.events(t, r.b.Definition.Key); len(lines) != 5 || lines[0].Action != "check bench" || lines[0].Detail != "empty" || lines[0].By != "Ada" {
		t.Errorf("%+v", lines)
	}
}

// TestBenchCheckAsFound: a step that found a fault leaves its check as it was
// found when it is done again.
func TestBenchCheckAsFound(t *testing.T) {
	r := newRig(t)
	r.measuring(sound)
	r.step(t, check.Channels)
	r.measuring(floats)
	r.step(t, check.Empty)
	r.measuring(sound)
	r.step(t, check.Empty)
	if got := r.verdicts(t); !slices.Equal(got, []check.Verdict{check.Partly, check.Faulty}) {
		t.Fatalf("%q", got)
	}
	list, _, err := r.Store.ListChecks(t.Context(), r.b.Definition.Key, "", 20)
	must(t, err)
	if asFound, asLeft := list[1].Record, list[0].Record; asFound.Ended.IsZero() || len(asFound.Steps) != 2 || len(asLeft.Steps) != 2 || !asLeft.Ended.IsZero() ||
		!asLeft.Result(check.Channels).Ended.Equal(asFound.Result(check.Channels).Ended) {
		t.Errorf("as found %+v\nas left %+v", asFound, asLeft)
	}
	r.step(t, check.Channels) // a good step done again stays in its check
	if got := r.verdicts(t); len(got) != 2 {
		t.Errorf("%q", got)
	}
}

// TestBenchCheckIsClosed: what a new check begins after.
func TestBenchCheckIsClosed(t *testing.T) {
	for name, happens := range map[string]func(t *testing.T, r *rig){
		"a day": func(t *testing.T, r *rig) {
			must(t, r.clock.Sleep(t.Context(), CheckStaysOpen))
		},
		"a run": func(t *testing.T, r *rig) {
			must(t, r.clock.Sleep(t.Context(), time.Second))
			q := starting()
			_, err := r.Start(t.Context(), r.b, ada, q)
			must(t, err)
			r.wait(t)
		},
		"another bench of the same name": func(_ *testing.T, r *rig) {
			r.b.Said = func() bench.Identity { return bench.Identity{Name: "fake", Serial: "another"} }
		},
		"its end": func(t *testing.T, r *rig) {
			rec, err := r.EndBenchCheck(t.Context(), r.b, ada)
			must(t, err)
			if rec.Ended.IsZero() || rec.Verdict() != check.Partly {
				t.Errorf("ended: %+v", rec)
			}
			_, err = r.EndBenchCheck(t.Context(), r.b, ada)
			refused(t, err, problem.Conflict, "No check")
		},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			r.measuring(sound)
			r.step(t, check.Empty)
			open, err := r.OpenCheck(t.Context(), r.b)
			must(t, err)
			if open == nil {
				t.Fatal("it is closed from the beginning")
			}
			happens(t, r)
			open, err = r.OpenCheck(t.Context(), r.b)
			must(t, err)
			if open != nil {
				t.Errorf("open: %+v", open)
			}
			r.step(t, check.Channels)
			if got := r.verdicts(t); len(got) != 2 {
				t.Errorf("%q", got)
			}
		})
	}
}

// TestBenchCheckBrokenOff: a step that is broken off stores nothing, says why,
// leaves the bench safe and the rest of the check open.
func TestBenchCheckBrokenOff(t *testing.T) {
	r := newRig(t)
	r.measuring(sound)
	r.step(t, check.Empty)
	reached := make(chan struct{}, 1)
	waits := func(ctx context.Context, rig check.Rig, _ check.Step) (check.StepResult, error) {
		reached <- struct{}{}
		<-ctx.Done()
		return check.StepResult{}, ctx.Err()
	}
	for want, stop := range map[string]func() error{
		"it was stopped":     func() error { return r.StopBenchCheck(t.Context(), r.b, ada) },
		"made safe by Guest": func() error { return r.MakeSafe(t.Context(), r.b, guest) },
	} {
		r.measuring(waits)
		must(t, r.CheckBench(t.Context(), r.b, ada, CheckRequest{Steps: []check.Step{check.Channels}}))
		<-reached
		if now := r.b.Now(); now.State != bench.Energised || now.Reason != checkingBench || !r.b.AtWork() {
			t.Errorf("at work the bench is %+v", now)
		}
		const busy = "A check of the bench is at work."
		refused(t, r.CheckBench(t.Context(), r.b, ada, CheckRequest{Steps: []check.Step{check.Empty}}), problem.Busy, busy)
		_, err := r.Start(t.Context(), r.b, ada, starting())
		refused(t, err, problem.Busy, busy)
		refused(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Model: NothingSeated}), problem.Busy, busy)
		_, err = r.EndBenchCheck(t.Context(), r.b, ada)
		refused(t, err, problem.Busy, "stop the step")
		must(t, stop())
		if at := r.stepEnds(t); at.Err != want || at.Broken != check.Channels {
			t.Errorf("stopped, it says %+v, want %q", at, want)
		}
	}
	must(t, r.StopBenchCheck(t.Context(), r.b, ada)) // none is at work: that is what was wanted
	for name, breaks := range map[string]func(ctx context.Context, rig check.Rig, _ check.Step) (check.StepResult, error){
		"panic": func(context.Context, check.Rig, check.Step) (check.StepResult, error) { panic("in the check") },
		"error": func(context.Context, check.Rig, check.Step) (check.StepResult, error) {
			return check.StepResult{}, errors.New("a slice out of range")
		},
	} {
		r.measuring(breaks)
		if at := r.step(t, check.Channels); at.Err != errCheckBroke.Error() {
			t.Errorf("%s: it says %q", name, at.Err)
		}
		if now := r.b.Now(); now.State != bench.Safe {
			t.Errorf("%s: the bench is %+v", name, now)
		}
	}
	open, err := r.OpenCheck(t.Context(), r.b)
	must(t, err)
	if len(open.Steps) != 1 || len(r.verdicts(t)) != 1 {
		t.Errorf("stored: %+v", open)
	}
}

// TestBenchCheckRefuses: what is no step, steps that need different things, and
// somebody else's bench.
func TestBenchCheckRefuses(t *testing.T) {
	r := newRig(t)
	r.measuring(sound)
	for words, steps := range map[string][]check.Step{
		"no step": {"full"}, "say which": nil, "different things": {check.Empty, check.Plug},
	} {
		refused(t, r.CheckBench(t.Context(), r.b, ada, CheckRequest{Steps: steps}), problem.Invalid, words)
	}
	must(t, r.TakeControl(t.Context(), r.b, boole))
	refused(t, r.CheckBench(t.Context(), r.b, ada, CheckRequest{Steps: []check.Step{check.Empty}}), problem.Held, "Boole")
	refused(t, r.StopBenchCheck(t.Context(), r.b, ada), problem.Held, "Boole")
	_, err := r.EndBenchCheck(t.Context(), r.b, ada)
	refused(t, err, problem.Held, "Boole")
	r.b.Station.Lost("no answer")
	refused(t, r.CheckBench(t.Context(), r.b, boole, CheckRequest{Steps: []check.Step{check.Empty}}), problem.Conflict, "unknown")
	if got := r.verdicts(t); len(got) != 0 {
		t.Errorf("stored: %q", got)
	}
}

// TestBenchCheckOnCards: what has to be in the socket is confirmed before every
// step, by the name of the plug.
func TestBenchCheckOnCards(t *testing.T) {
	r := newRig(t)
	r.withCards()
	r.measuring(sound)
	ask := func(step check.Step, confirm ...string) error {
		return r.CheckBench(t.Context(), r.b, ada, CheckRequest{Steps: []check.Step{step}, Confirm: confirm})
	}
	if got := open(t, ask(check.Empty)); !slices.Equal(got, checks()) {
		t.Errorf("the empty socket asks for %v", got)
	}
	must(t, ask(check.Empty, checks()...))
	r.stepEnds(t)
	if got := open(t, ask(check.Channels)); !slices.Equal(got, []string{"empty"}) {
		t.Errorf("the next step asks for %v", got)
	}
	err := ask(check.Plug, "empty")
	if got := open(t, err); !slices.Equal(got, []string{"shorting-plug"}) {
		t.Errorf("the shorting plug asks for %v", got)
	}
	if asked := problem.Of(err).Detail.(*Unconfirmed); !strings.Contains(asked.Open[0].Text, "plug that joins all contacts") {
		t.Errorf("in these words: %q", asked.Open[0].Text)
	}
	must(t, ask(check.Plug, "shorting-plug"))
	r.stepEnds(t)
	if got := open(t, ask(check.Plug)); !slices.Equal(got, []string{"shorting-plug"}) {
		t.Errorf("once more it asks for %v", got)
	}
	_, err = r.Start(t.Context(), r.b, ada, unseated())
	if got := open(t, err); !slices.Equal(got, []string{"seated", "pin-1"}) {
		t.Errorf("a run after the plug asks for %v", got)
	}
	if got := r.verdicts(t); !slices.Equal(got, []check.Verdict{check.Partly}) {
		t.Errorf("%q", got)
	}
}

// TestBenchCheckSeats: in the rehearsal a step seats what it needs, keeps the
// faults of the bench, and the part that was there is put back.
func TestBenchCheckSeats(t *testing.T) {
	r := newRig(t)
	r.measuring(sound)
	fault := []bench.BenchFault{{Kind: "enable-floating", Mux: "1A/1-16"}}
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Device: "load", Serial: "S7", Seed: 7, BenchFaults: fault}))
	refused(t, r.SeatBack(t.Context(), r.b, ada), problem.Conflict, "Nothing was taken out")
	for _, step := range []check.Step{check.Empty, check.Plug} {
		info, _ := check.InfoOf(step)
		must(t, r.CheckBench(t.Context(), r.b, ada, CheckRequest{Steps: []check.Step{step}, Seat: true}))
		r.stepEnds(t)
		restarted := New(r.Config, r.b) // what was taken out outlives a restart
		if before, err := restarted.TakenOut(t.Context(), r.b); err != nil || before == nil || before.Serial != "S7" {
			t.Errorf("%s: remembered %+v, %v", step, before, err)
		}
		if now := r.socket.now(); now.Model != info.Model || !slices.Equal(now.BenchFaults, fault) {
			t.Errorf("%s: in the socket is %+v", step, now)
		}
		if there, err := r.InSocketFor(t.Context(), r.b, info); err != nil || !there {
			t.Errorf("%s: %v, %v", step, there, err)
		}
	}
	must(t, r.SeatBack(t.Context(), r.b, ada))
	if now := r.socket.now(); now.Device != "load" || now.Serial != "S7" || now.Seed != 7 || !slices.Equal(now.BenchFaults, fault) || now.Insertion < 2 {
		t.Errorf("put back: %+v", now)
	}
	refused(t, r.SeatBack(t.Context(), r.b, ada), problem.Conflict, "Nothing was taken out")
	must(t, r.CheckBench(t.Context(), r.b, ada, CheckRequest{Steps: []check.Step{check.Empty}, Seat: true}))
	r.stepEnds(t)
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Model: "check-load", Seed: 1}))
	if before, err := r.TakenOut(t.Context(), r.b); err != nil || before != nil {
		t.Errorf("after somebody seated something else: %+v, %v", before, err)
	}
}

// TestBenchCheckAsMeasured carries both steps with an empty socket out as they are,
// on a rehearsal bench.
func TestBenchCheckAsMeasured(t *testing.T) {
	r := newRig(t)
	must(t, r.CheckBench(t.Context(), r.b, ada, CheckRequest{Steps: []check.Step{check.Empty, check.Channels}, Seat: true}))
	if at := r.stepEnds(t); at.Err != "" {
		t.Fatalf("%+v", at)
	}
	open, err := r.OpenCheck(t.Context(), r.b)
	must(t, err)
	if open == nil || len(open.Steps) != 2 || open.Verdict() != check.Partly || len(open.Result(check.Empty).Paths) != len(r.b.Definition.Paths) {
		t.Fatalf("open: %v", open != nil)
	}
}
