package card

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/emulator"
	"ohmkeep/server/rehearsal"
)

// TestSameAsInProcess: the same calls to the same rehearsal bench bring the
// same readings to the last bit, made directly and made through a card and its
// connection.
func TestSameAsInProcess(t *testing.T) {
	calls := 3000
	if testing.Short() {
		calls = 300
	}
	alone(t, func(t *testing.T) {
		start := time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)
		hardware := func() *rehearsal.Bench {
			seat := rehearsal.Seat{Model: "check-load", Seed: 1, PinMap: bench.PinMap{Contacts: map[int]int{1: 1, 2: 2, 3: 3, 4: 4}}}
			b, err := rehearsal.New(rehearsal.Config{Definition: rehearsal.DefaultBench(), Clock: bench.NewCountingClock(start), Seed: 7, Seat: seat})
			if err != nil {
				t.Fatal(err)
			}
			return b
		}
		direct := hardware()
		rnd := rand.New(rand.NewPCG(3, 3))
		x := newChaosOn(t, hardware(), newWitness(), rnd, emulator.NewOrders(1))
		ctx := t.Context()
		if err := errors.Join(x.link.Settled(ctx), x.link.MakeSafe(ctx), direct.MakeSafe(ctx)); err != nil {
			t.Fatal(err)
		}
		readings, limits := 0, 0
		for i := range calls {
			ch := bench.ChannelID(1 + rnd.IntN(2))
			both := func(f func(l bench.Link) error) {
				t.Helper()
				a, b := f(direct), f(x.link)
				if a != nil || b != nil {
					t.Fatalf("call %d: %v in process, %v over a connection", i, a, b)
				}
			}
			switch rnd.IntN(8) {
			case 0: // cold: a switch that moves under load is reported
				for _, ch := range []bench.ChannelID{1, 2} {
					both(func(l bench.Link) error { return l.Output(ctx, ch, false) })
				}
				both(func(l bench.Link) error { return l.Close(ctx, nil) })
				paths := []bench.PathID{bench.PathID(1 + rnd.IntN(2)), bench.PathID(4*48 + 2)}
				both(func(l bench.Link) error { return l.Close(ctx, paths) })
			case 1, 2, 3:
				s := bench.Setup{Mode: bench.ForceVoltage, Level: 4*rnd.Float64() - 2, Compliance: math.Pow(10, -5*rnd.Float64()-1), Remote: ch == 1 && rnd.IntN(2) == 0}
				if rnd.IntN(3) == 0 {
					s = bench.Setup{Mode: bench.ForceCurrent, Level: 1e-3 * rnd.Float64(), Range: 10e-3, Compliance: 1 + rnd.Float64()}
				}
				both(func(l bench.Link) error { return l.Set(ctx, ch, s) })
				both(func(l bench.Link) error { return l.Output(ctx, ch, true) })
			case 4:
				both(func(l bench.Link) error { return l.Output(ctx, ch, false) })
			case 5:
				both(func(l bench.Link) error { return l.MakeSafe(ctx) })
			default:
				aperture := time.Duration(1+rnd.IntN(40_000)) * time.Microsecond * 10
				var got [2][]bench.Sample
				k := 0
				both(func(l bench.Link) (err error) {
					got[k], err = l.Read(ctx, []bench.ChannelID{ch, 3 - ch}, aperture, nil)
					k++
					return err
				})
				n, flagged := alike(t, got[0], got[1])
				readings, limits = readings+n, limits+flagged
			}
		}
		t.Logf("%d readings, %d of them flagged", readings, limits)
		if limits == 0 || limits == readings {
			t.Error("flags were not tried")
		}
	})
}

// alike compares readings to the last bit, and counts them and their flags.
func alike(t *testing.T, direct, carried []bench.Sample) (readings, flagged int) {
	t.Helper()
	if len(direct) != len(carried) {
		t.Fatalf("%d readings in process, %d over a connection", len(direct), len(carried))
	}
	for j, a := range direct {
		b := carried[j]
		if a.Flags != 0 {
			flagged++
		}
		if a.V != b.V || a.I != b.I || a.Flags != b.Flags || a.Channel != b.Channel {
			t.Fatalf("%+v in process, %+v over a connection", a, b)
		}
	}
	return len(direct), flagged
}
