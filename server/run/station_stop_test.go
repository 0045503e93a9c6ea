package run

import (
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/procedure"
)

// TestStopRunIsOfThatRun: whoever stops a run that has just ended does not stop
// the one that somebody else has started since.
func TestStopRunIsOfThatRun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := slowBed()
		s := b.station(t, nil)
		id, err := s.Start(b.rec)
		if err != nil {
			t.Fatal(err)
		}
		if s.StopRun("another", "stopped by a late click") {
			t.Error("a run that is not at work was stopped")
		}
		time.Sleep(time.Second) // of the bubble's clock
		if s.Snapshot().Run != id {
			t.Fatal("the run at work was stopped by a click on another's page")
		}
		if !s.StopRun(id, "stopped by its own page") {
			t.Error("the run at work was not stopped")
		}
		if err := s.Wait(t.Context()); err != nil {
			t.Fatal(err)
		}
		if got := b.watch.finished; len(got) != 1 || got[0].Status != procedure.Stopped || got[0].Reason != "stopped by its own page" {
			t.Errorf("%+v", got)
		}
		clean(t, b)
	})
}
