package emulator

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/protocol"
	"ohmkeep/server/card/scpi"
	"ohmkeep/server/rehearsal"
)

// rig is a rehearsal bench with a part that has junctions, hysteresis and
// leakage, on a clock of its own, and what it went through.
type rig struct {
	bench  *rehearsal.Bench
	clock  *bench.CountingClock
	solved []rehearsal.Solved
}

func newRig(t *testing.T) *rig {
	t.Helper()
	r := &rig{clock: bench.NewCountingClock(start)}
	var err error
	r.bench, err = rehearsal.New(rehearsal.Config{
		Definition: rehearsal.DefaultBench(), Clock: r.clock, Seed: 48,
		Seat:    rehearsal.Seat{Model: "hex-inverter-schmitt", Seed: 7001, PinMap: straight(14)},
		OnSolve: func(s rehearsal.Solved) { r.solved = append(r.solved, s) },
	})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// viaCard does with messages what bench.Link does with calls.
type viaCard struct {
	k      *talker
	def    bench.Definition
	closed map[bench.PathID]bool
}

func (v *viaCard) done() {
	v.k.t.Helper()
	if got := v.k.ask("*ESR?"); got != "0" {
		v.k.t.Fatalf("*ESR? %s, %s", got, v.k.ask("SYST:ERR?"))
	}
}

func (v *viaCard) set(id bench.ChannelID, s bench.Setup) {
	n := func(x float64) string { return scpi.FormatNR3(x) }
	ch, _ := v.def.ChannelByID(id)
	force, senseV, senseI, _ := ch.RangesFor(s)
	words := []string{"VOLT", "CURR", n(senseI.FullScale)}
	if s.Mode == bench.ForceCurrent {
		words = []string{"CURR", "VOLT", n(senseV.FullScale)}
	}
	sense := map[bool]string{false: "INT", true: "EXT"}[s.Remote]
	v.k.tell(fmt.Sprintf("SOUR%[1]d:FUNC:MODE %[2]s;:SOUR%[1]d:%[2]s:RANG %[4]s;:SOUR%[1]d:%[2]s %[5]s;:SENS%[1]d:%[3]s:RANG %[6]s;:SENS%[1]d:%[3]s:PROT %[7]s",
		id, words[0], words[1], n(force.FullScale), n(s.Level), words[2], n(s.Compliance)) +
		map[bool]string{true: fmt.Sprintf(";:SOUR%d:VOLT:ALC:SOUR %s", id, sense)}[ch.RemoteSense])
	v.done()
}

func (v *viaCard) output(id bench.ChannelID, on bool) {
	v.k.tell(fmt.Sprintf("OUTP%d %d", id, map[bool]int{true: 1}[on]))
	v.done()
}

// close opens what is not wanted and closes what is, as a host does.
func (v *viaCard) close(paths []bench.PathID) {
	want := map[bench.PathID]bool{}
	for _, id := range paths {
		want[id] = true
	}
	var opens, closes []scpi.Item
	for i := range v.def.Paths {
		p := &v.def.Paths[i]
		switch {
		case v.closed[p.ID] && !want[p.ID]:
			opens = append(opens, itemOf(&v.def, p))
		case !v.closed[p.ID] && want[p.ID]:
			closes = append(closes, itemOf(&v.def, p))
		}
	}
	v.closed = want
	if len(opens) > 0 {
		v.k.tell("ROUT:OPEN " + scpi.FormatChannelList(opens))
		v.done()
	}
	if len(closes) > 0 {
		v.k.tell("ROUT:CLOS " + scpi.FormatChannelList(closes))
		v.done()
	}
}

func (v *viaCard) read(ids []bench.ChannelID, aperture time.Duration) []bench.Sample {
	var items []scpi.Item
	var message []string
	for _, id := range ids {
		items = append(items, scpi.Plain(int(id)))
		message = append(message, fmt.Sprintf("SENS%d:CURR:APER %s", id, scpi.FormatNR3(aperture.Seconds())))
	}
	v.k.tell(strings.Join(message, ";:"))
	v.done()
	fields := strings.Split(v.k.ask("READ? "+scpi.FormatChannelList(items)), ",")
	var out []bench.Sample
	for i, id := range ids {
		s := bench.Sample{Channel: id}
		for j, to := range []*float64{&s.V, &s.I} {
			x, err := scpi.ParseNumber(fields[i*protocol.ReadingValues+j])
			if err != nil {
				v.k.t.Fatal(fields, err)
			}
			*to = x
		}
		status, err := scpi.ParseInteger(fields[i*protocol.ReadingValues+2])
		if err != nil || status&protocol.ErrorWaits != 0 {
			v.k.t.Fatal(fields, err)
		}
		if status&protocol.AtLimit != 0 {
			s.Flags |= bench.InCompliance
		}
		if status&protocol.OverRange != 0 {
			s.Flags |= bench.OverRange
		}
		out = append(out, s)
	}
	return out
}

// step is something done to a bench.
type step struct {
	set      *bench.Setup
	ch       bench.ChannelID
	output   *bool
	close    []bench.PathID
	read     []bench.ChannelID
	safe     bool
	duration time.Duration // aperture, or a wait
}

// steps are random but sensible: cold switching, outputs set before they are
// switched on, settling shorter and longer than it takes.
func steps(r *rand.Rand, def *bench.Definition, n int) []step {
	var out []step
	on := map[bench.ChannelID]bool{}
	levels := map[bool][]float64{false: {0, 0.4, 1.37, -0.3, 3.3, 5}, true: {0, 1e-6, -47e-6, 1e-3, -2.2e-3}}
	setup := func(ch *bench.Channel, zero bool) bench.Setup {
		current := r.IntN(3) == 0
		s := bench.Setup{Mode: bench.ForceVoltage, Level: levels[false][r.IntN(6)], Compliance: []float64{1e-6, 1e-4, 3.7e-3, 20e-3}[r.IntN(4)]}
		if current {
			s = bench.Setup{Mode: bench.ForceCurrent, Level: levels[true][r.IntN(5)], Compliance: []float64{0.7, 2, 5.5}[r.IntN(3)]}
		}
		if zero {
			s.Level = 0
		}
		if r.IntN(4) == 0 {
			s.Range = map[bool]float64{false: 10, true: 10e-3}[current]
		}
		s.Remote = ch.RemoteSense && r.IntN(3) == 0
		return s
	}
	for len(out) < n {
		ch := &def.Channels[r.IntN(len(def.Channels))]
		switch r.IntN(8) {
		case 0, 1, 2:
			s := setup(ch, false)
			out = append(out, step{set: &s, ch: ch.ID})
			if !on[ch.ID] {
				yes := true
				on[ch.ID] = true
				out = append(out, step{output: &yes, ch: ch.ID})
			}
		case 3:
			no := false
			on[ch.ID] = false
			out = append(out, step{output: &no, ch: ch.ID})
		case 4:
			var all []bench.PathID
			for id := range on {
				no := false
				out = append(out, step{output: &no, ch: id})
			}
			clear(on)
			for i := range def.Channels {
				all = append(all, bench.PathID(i*48+1+r.IntN(14)))
			}
			out = append(out, step{close: append(all, bench.PathID(4*48+7))})
		case 5:
			if r.IntN(6) == 0 {
				clear(on)
				out = append(out, step{safe: true})
			}
		default:
			out = append(out, step{duration: time.Duration(r.IntN(3_000_000))}, step{
				read: []bench.ChannelID{1, 2, 3, 4}[r.IntN(3):], duration: time.Duration(10_000 + r.IntN(40_000_000)),
			})
		}
	}
	return out
}

// More: go test ./server/card/emulator -run BitIdentity -identities 100
var identities = flag.Uint64("identities", 2, "how many random sequences are compared with the bench itself")

// What a host reads through the card is what it would have read from the bench
// directly, to the last bit, at the same time, and the bench went through the
// same operating points.
func TestBitIdentity(t *testing.T) {
	seeds := *identities
	if testing.Short() {
		seeds = 1
	}
	for seed := range seeds {
		def := rehearsal.DefaultBench()
		direct, behind := newRig(t), newRig(t)
		c := newCard(t, Config{Link: behind.bench, Definition: Describe(def, "tcp://127.0.0.1:1")})
		k := talk(t, c)
		k.wants("*ESR?", "128")
		via := &viaCard{k: k, def: def}
		ctx := t.Context()
		check := func(err error) {
			if err != nil {
				t.Fatal(err)
			}
		}
		check(direct.bench.MakeSafe(ctx))
		readings := 0
		// Off counts as set once a channel was.
		was := map[bench.ChannelID]bool{}
		for n, s := range steps(rand.New(rand.NewPCG(seed, 1)), &def, 120) {
			switch {
			case s.set != nil:
				was[s.ch] = true
				check(direct.bench.Set(ctx, s.ch, *s.set))
				via.set(s.ch, *s.set)
			case s.output != nil && was[s.ch]:
				check(direct.bench.Output(ctx, s.ch, *s.output))
				via.output(s.ch, *s.output)
			case s.close != nil:
				check(direct.bench.Close(ctx, s.close))
				via.close(s.close)
			case s.safe:
				clear(was)
				check(direct.bench.MakeSafe(ctx))
				via.closed = nil
				k.tell("ABOR;*RST")
				via.done()
			case s.read != nil:
				want, err := direct.bench.Read(ctx, s.read, s.duration, nil)
				check(err)
				for i, got := range via.read(s.read, s.duration) {
					readings++
					if math.Float64bits(got.V) != math.Float64bits(want[i].V) || math.Float64bits(got.I) != math.Float64bits(want[i].I) || got.Flags != want[i].Flags {
						t.Fatalf("seed %d, step %d: %+v, directly %+v", seed, n, got, want[i])
					}
				}
			default:
				check(direct.clock.Sleep(ctx, s.duration))
				check(behind.clock.Sleep(ctx, s.duration))
			}
			if a, b := direct.clock.Now(), behind.clock.Now(); !a.Equal(b) {
				t.Fatalf("seed %d, step %d: the bench behind the card is at %v, the other at %v", seed, n, b.Sub(start), a.Sub(start))
			}
		}
		if diff := cmp.Diff(direct.solved, behind.solved); diff != "" {
			t.Errorf("seed %d: other operating points (-directly +behind the card):\n%s", seed, diff)
		}
		if readings < 20 || len(direct.solved) < 20 {
			t.Errorf("seed %d: only %d readings, %d operating points", seed, readings, len(direct.solved))
		}
	}
}
