package routes

import (
	"log/slog"
	"math"
	"testing"
	"time"

	"ohmkeep/server/live"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
)

// TestBoardShowsWhatAPinIsAtNow: a pin that is connected anew shows no voltage
// and current of its connection before. "Return, 688 mV" would be a lie.
func TestBoardShowsWhatAPinIsAtNow(t *testing.T) {
	rec := &procedure.Record{Device: loadDevice(), Procedure: loadProcedure()}
	b := newBoard(rec, live.NewTopic(time.Now()), slog.New(slog.DiscardHandler))
	nan := math.NaN()
	b.observe(run.Update{Pins: []run.PinState{
		{Pin: 1, Use: procedure.UseCurrent, Channel: 1, Level: 1e-4, V: 0.688, I: 1e-4}, {Pin: 2, Use: procedure.UseReturn, V: nan, I: nan},
	}})
	b.observe(run.Update{Pins: []run.PinState{
		{Pin: 1, Use: procedure.UseReturn, V: nan, I: nan}, {Pin: 3, Use: procedure.UseVoltage, Channel: 2, Level: 1, V: nan, I: nan},
	}})
	p, _ := b.props(-1)
	for _, pin := range p.Pins[:3] {
		if !math.IsNaN(pin.V) || !math.IsNaN(pin.I) {
			t.Errorf("pin %d, %s, shows %g V and %g A", pin.Number, pin.Use, pin.V, pin.I)
		}
	}
	b.observe(run.Update{Pins: []run.PinState{{Pin: 3, Use: procedure.UseVoltage, Channel: 2, Level: 1, V: 1.01, I: 2e-3}}})
	// Open again: what was last read there is what there is to say.
	b.observe(run.Update{Pins: []run.PinState{}})
	if p, _ := b.props(-1); p.Pins[2].V != 1.01 || p.Pins[2].I != 2e-3 || p.Pins[2].Use != procedure.UseOpen {
		t.Errorf("pin 3 at the end: %+v", p.Pins[2])
	}
}
