package lab

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/problem"
)

// checks is what a check of cards confirms.
func checks() []string {
	return append(everything()[:7:7], EmptySocket.items()[len(cautionsToConfirm)].Name)
}

func TestSay(t *testing.T) {
	r := newRig(t)
	_, err := r.Say(t.Context(), r.b, ada, Message{Connection: "left", Text: "*IDN?", Wait: time.Second})
	refused(t, err, problem.Conflict, "no card")
	c := r.withCards()
	ask := Message{Connection: "left", Text: " *IDN? ", Wait: time.Second}
	_, err = r.Say(t.Context(), r.b, ada, ask)
	refused(t, err, problem.Conflict, "Take control")
	must(t, r.TakeControl(t.Context(), r.b, ada))
	said, err := r.Say(t.Context(), r.b, ada, ask)
	must(t, err)
	if said.MadeSafe || said.By != "Ada" || said.Exchange.Sent != "*IDN?" || len(said.Exchange.Answers) != 1 || said.Err != "" {
		t.Errorf("asked: %+v", said)
	}
	do := Message{Connection: "right", Text: "OUTP1 ON", Wait: time.Second}
	_, err = r.Say(t.Context(), r.b, ada, do)
	if got := open(t, err); len(got) != len(cautionsToConfirm) {
		t.Errorf("asked for %v", got)
	}
	do.Confirm = everything()[:7]
	said, err = r.Say(t.Context(), r.b, ada, do)
	must(t, err)
	if !said.MadeSafe || said.Err != "" {
		t.Errorf("done: %+v", said)
	}
	r.link.fail(errBroken)
	c.fail = errBroken
	said, err = r.Say(t.Context(), r.b, ada, do)
	must(t, err)
	if said.MadeSafe || !strings.HasPrefix(said.Err, errBroken.Error()+"; the bench could not be made safe") {
		t.Errorf("not made safe: %+v", said)
	}
	if got := c.messages(); len(got) != 3 || got[1] != "right: OUTP1 ON" {
		t.Errorf("sent %v", got)
	}
	if list := r.b.SaidByHand(); len(list) != 3 || list[0].Err == "" || list[2].Exchange.Sent != "*IDN?" {
		t.Errorf("remembered %+v", list)
	}
	refused(t, func() error { _, err := r.Say(t.Context(), r.b, boole, ask); return err }(), problem.Held, "Ada")
}

func TestSayRefuses(t *testing.T) {
	r := newRig(t)
	c := r.withCards()
	must(t, r.TakeControl(t.Context(), r.b, ada))
	good := Message{Connection: "left", Text: "*IDN?", Wait: time.Second}
	for name, tc := range map[string]struct {
		change func(*Message)
		field  string
	}{
		"no such connection": {func(q *Message) { q.Connection = "middle" }, "connection"},
		"nothing":            {func(q *Message) { q.Text = "  " }, "message"},
		"two lines":          {func(q *Message) { q.Text = "a\nb" }, "message"},
		"no text":            {func(q *Message) { q.Text = "\xff" }, "message"},
		"long":               {func(q *Message) { q.Text = strings.Repeat("?", maxMessage+1) }, "message"},
		"no wait":            {func(q *Message) { q.Wait = 0 }, "wait"},
		"long wait":          {func(q *Message) { q.Wait = MaxWait + 1 }, "wait"},
	} {
		q := good
		tc.change(&q)
		_, err := r.Say(t.Context(), r.b, ada, q)
		if e := problem.Of(err); e == nil || len(e.Fields) != 1 || e.Fields[0].Field != tc.field {
			t.Errorf("%s: %v", name, err)
		}
	}
	r.clock.close()
	_, err := r.Start(t.Context(), r.b, ada, unseated(everything()...))
	must(t, err)
	<-r.clock.reached
	_, err = r.Say(t.Context(), r.b, ada, good)
	refused(t, err, problem.Busy, "a run is at work")
	if len(c.messages()) != 0 {
		t.Errorf("sent %v", c.messages())
	}
	r.wait(t)
}

// TestOnlyAsks: what a connection reads with otherwise than the protocol may do
// more than ask.
func TestOnlyAsks(t *testing.T) {
	r := newRig(t)
	r.b.Definition.Connections = []bench.Connection{{Name: "left"}, {Name: "right", Commands: bench.Commands{Read: "CLEAR?"}}}
	for message, want := range map[string]struct{ left, right, any bool }{
		"*IDN?":  {true, true, true},
		"CLEAR?": {true, false, false},
		"OUTP 1": {false, false, false},
	} {
		if got := r.OnlyAsks(r.b, "left", message); got != want.left {
			t.Errorf("%s on the left only asks: %v", message, got)
		}
		if got := r.OnlyAsks(r.b, "right", message); got != want.right {
			t.Errorf("%s on the right only asks: %v", message, got)
		}
		if got := r.OnlyAsks(r.b, "", message); got != want.any {
			t.Errorf("%s anywhere only asks: %v", message, got)
		}
	}
}

// TestEnergisedByHand: while a message that does more than ask is on its way,
// the bench does not pass for safe, and nothing starts.
func TestEnergisedByHand(t *testing.T) {
	r := newRig(t)
	r.b.byHand.while("a message sent by hand", func() {
		if now := r.b.Now(); now.State != bench.Energised || now.Reason != "a message sent by hand" || r.b.ByHand() == "" {
			t.Errorf("%+v", now)
		}
		refused(t, r.b.mayBegin(), problem.Busy, "A message sent by hand.")
		if why := r.b.WhyBusy(ada); why != "A message sent by hand." {
			t.Errorf("says %q", why)
		}
	})
	if now := r.b.Now(); now.State != bench.Safe || r.b.mayBegin() != nil {
		t.Errorf("afterwards %+v", now)
	}
}

// TestCardsAreHeld: a message to a card and a check of cards begin only when
// nobody else is seating or starting something, and never on a bench that has
// been left.
func TestCardsAreHeld(t *testing.T) {
	r := newRig(t)
	c := r.withCards()
	must(t, r.TakeControl(t.Context(), r.b, ada))
	for name, act := range map[string]func(b *Bench) error{
		"say": func(b *Bench) error {
			_, err := r.Say(t.Context(), b, ada, Message{Connection: "left", Text: "*IDN?", Wait: time.Second})
			return err
		},
		"check": func(b *Bench) error { return r.CheckCards(t.Context(), b, ada, "left", checks()) },
	} {
		left := &Bench{Definition: r.b.Definition, Station: r.b.Station, Cards: c}
		refused(t, act(left), problem.Conflict, "not in use any more")

		var starting atomic.Bool // somebody else is
		beside := errors.New("it began beside a start")
		c.hear(func() error {
			if starting.Load() {
				return beside
			}
			return nil
		})
		release, err := r.hold(r.b)
		must(t, err)
		starting.Store(true)
		done := make(chan error, 1)
		go func() { done <- act(r.b) }()
		for range 1000 { // ample for it to begin, if it does not wait
			runtime.Gosched()
		}
		starting.Store(false)
		release()
		must(t, <-done)
		if check := r.checkEnds(t); check.Err != "" {
			t.Errorf("%s: %s", name, check.Err)
		}
		for _, said := range r.b.SaidByHand() {
			if said.Err != "" {
				t.Errorf("%s: %s", name, said.Err)
			}
		}
	}
}

// TestNobodyWaitsForACard: while a card takes its time to answer, a start is
// refused at once.
func TestNobodyWaitsForACard(t *testing.T) {
	r := newRig(t)
	c := r.withCards()
	must(t, r.TakeControl(t.Context(), r.b, ada))
	sent, answer, done := make(chan struct{}), make(chan struct{}), make(chan error, 1)
	c.hear(func() error {
		close(sent)
		<-answer
		return nil
	})
	go func() {
		_, err := r.Say(t.Context(), r.b, ada, Message{Connection: "left", Text: "OUTP1 ON", Wait: time.Second, Confirm: everything()[:7]})
		done <- err
	}()
	<-sent
	_, err := r.Start(t.Context(), r.b, ada, unseated(everything()...))
	refused(t, err, problem.Busy, "A message sent by hand.")
	close(answer)
	must(t, <-done)
}

func TestHealthAndRemedy(t *testing.T) {
	r := newRig(t)
	if r.b.Health() != nil {
		t.Error("the rehearsal bench has connections")
	}
	r.withCards()
	if got := r.b.Remedy(); !strings.HasPrefix(got, "right: Plug it in. Look at the outputs") {
		t.Errorf("%q", got)
	}
}

// checkEnds waits until no check is at work.
func (r *rig) checkEnds(t testing.TB) CardCheck {
	t.Helper()
	for {
		if c, _ := r.b.CardCheck(); !c.Running {
			return c
		}
		runtime.Gosched()
	}
}

func TestCheckCards(t *testing.T) {
	r := newRig(t)
	refused(t, r.CheckCards(t.Context(), r.b, ada, AllCards, nil), problem.Conflict, "no card")
	c := r.withCards()
	refused(t, r.CheckCards(t.Context(), r.b, ada, "middle", nil), problem.Invalid, "choose a connection")
	if got := open(t, r.CheckCards(t.Context(), r.b, ada, AllCards, nil)); len(got) != len(checks()) {
		t.Errorf("asked for %v", got)
	}
	must(t, r.CheckCards(t.Context(), r.b, ada, AllCards, checks()))
	got := r.checkEnds(t)
	if len(got.Findings) != 2 || got.Findings[0].Connection != "left" || got.Findings[1].Connection != "right" || got.Err != "" || got.By != "Ada" || got.Ended.IsZero() {
		t.Errorf("%+v", got)
	}
	if got := open(t, r.CheckCards(t.Context(), r.b, ada, "left", nil)); len(got) != 1 || got[0] != "empty" {
		t.Errorf("a second check asks for %v", got)
	}
	refused(t, r.CheckCards(t.Context(), r.b, boole, "left", checks()), problem.Held, "Ada")

	reached := make(chan struct{}, 1)
	c.check = func(ctx context.Context, _ string, _ func(cardinfo.Finding)) error {
		reached <- struct{}{}
		<-ctx.Done()
		return ctx.Err()
	}
	for want, stop := range map[string]func() error{
		"it was stopped":                   func() error { return r.StopCardCheck(t.Context(), r.b, ada) },
		"the bench was made safe by Guest": func() error { return r.MakeSafe(t.Context(), r.b, guest) },
	} {
		must(t, r.CheckCards(t.Context(), r.b, ada, "left", []string{"empty"}))
		<-reached
		if now := r.b.Now(); now.State != bench.Energised || now.Reason != checkingCards {
			t.Errorf("at work the bench is %+v", now)
		}
		refused(t, r.CheckCards(t.Context(), r.b, ada, "left", []string{"empty"}), problem.Busy, "A check of the cards is at work.")
		_, err := r.Start(t.Context(), r.b, ada, unseated(everything()...))
		refused(t, err, problem.Busy, "A check of the cards is at work.")
		refused(t, r.StopCardCheck(t.Context(), r.b, boole), problem.Held, "Ada")
		must(t, stop())
		if got := r.checkEnds(t); got.Err != want {
			t.Errorf("stopped, it says %q, want %q", got.Err, want)
		}
	}
	must(t, r.StopCardCheck(t.Context(), r.b, ada)) // none is at work: that is what was wanted

	c.check = func(context.Context, string, func(cardinfo.Finding)) error { panic("in the check") }
	must(t, r.CheckCards(t.Context(), r.b, ada, "left", []string{"empty"}))
	if got := r.checkEnds(t); got.Err != errCheckBroke.Error() {
		t.Errorf("after a panic it says %q", got.Err)
	}
	if now := r.b.Now(); now.State != bench.Safe {
		t.Errorf("after a panic the bench is %+v", now)
	}
}

// TestCheckEndsFree: what says that a check of cards has ended says so only once the
// bench is free for the next.
func TestCheckEndsFree(t *testing.T) {
	r := newRig(t)
	c := r.withCards()
	var checked atomic.Bool
	c.check = func(context.Context, string, func(cardinfo.Finding)) error {
		checked.Store(true)
		return nil
	}
	now, free := r.Now, make(chan error, 1)
	r.Now = func() time.Time { // asked for when the end is written down
		if checked.CompareAndSwap(true, false) {
			free <- r.b.Station.WhileIdle(func() error { return nil })
		}
		return now()
	}
	must(t, r.CheckCards(t.Context(), r.b, ada, "left", checks()))
	r.checkEnds(t)
	must(t, <-free)
}

// TestCheckIsBounded: a card that says much is not remembered whole, and what
// failed keeps its events.
func TestCheckIsBounded(t *testing.T) {
	r := newRig(t)
	c := r.withCards()
	c.check = func(_ context.Context, _ string, found func(cardinfo.Finding)) error {
		for i := range KeptFindings + 50 {
			f := cardinfo.Finding{Title: fmt.Sprint(i), Verdict: cardinfo.Pass, Events: make([]cardinfo.Event, 3*KeptEvents)}
			if i == KeptFindings-1 {
				f.Verdict = cardinfo.Fail
			}
			found(f)
		}
		return errBroken
	}
	_, before := r.b.CardCheck()
	must(t, r.CheckCards(t.Context(), r.b, ada, "left", checks()))
	got := r.checkEnds(t)
	events := 0
	for _, f := range got.Findings {
		events += len(f.Events)
	}
	if len(got.Findings) != KeptFindings || got.Dropped != 50 || events > KeptEventsAll+KeptEvents ||
		len(got.Findings[KeptFindings-1].Events) != KeptEvents || got.Err != errBroken.Error() {
		t.Errorf("%d findings, %d dropped, %d events, %q", len(got.Findings), got.Dropped, events, got.Err)
	}
	if _, after := r.b.CardCheck(); after == before {
		t.Error("the number of changes stands still")
	}
}
