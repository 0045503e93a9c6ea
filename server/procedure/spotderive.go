package procedure

import (
	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
)

// spot gathers the readings of one pin at one point: all its repeats.
type spot struct {
	pin    int
	group  int
	set    float64
	v, i   derive.Accumulator
	uv, ui float64 // largest standard uncertainty from the ranges' accuracy
	flags  bench.Flags
}

// seconds is a reading's time since the start of its run.
func seconds(o *Observation) float64 { return float64(o.T) * 1e-9 }

func (s *spot) add(o *Observation) {
	t := seconds(o)
	s.set = o.Set
	s.v.Add(t, o.V)
	s.i.Add(t, o.I)
	s.uv, s.ui = max(s.uv, o.UV), max(s.ui, o.UI)
	s.flags |= o.Flags
}

func (s *spot) read() bool { return s.v.N() > 0 && s.i.N() > 0 }

// whole reports whether all repeats have come. What may turn out not to apply is
// held back until then, so that no result is left over that a later reading has
// taken back.
func (s *spot) whole(m *Measurement) bool { return s.v.N() >= m.repeats() && s.i.N() >= m.repeats() }

// vu and iu are the mean and its standard uncertainty: the scatter of the
// repeats goes down with their number, the ranges' accuracy does not.
func (s *spot) vu() (v, u float64) { return s.v.Mean(), meanU(&s.v, s.uv) }
func (s *spot) iu() (i, u float64) { return s.i.Mean(), meanU(&s.i, s.ui) }

func meanU(a *derive.Accumulator, systematic float64) float64 {
	if a.N() < 2 {
		return systematic
	}
	return budget.RootSumSquares(systematic, a.SDMean())
}

// clamped reports whether a reading of the spot was at its compliance.
func (s *spot) clamped() bool { return s.flags.Has(bench.InCompliance) }

// spotDeriver derives kinds with few points, whose results each rest on the
// spots of a pin.
type spotDeriver struct {
	kit
	spots []spot
	first []int // of each point's spots
	// evaluate turns the spots, in the order of the expansion, into results. It
	// passes over spots that have not been read.
	evaluate func(k *kit, spots []spot) []Result
}

func newSpots(k Kind, kt kit, evaluate func(*kit, []spot) []Result) *spotDeriver {
	s := &spotDeriver{kit: kt, evaluate: evaluate}
	for p := range k.Points(kt.m, kt.d) {
		s.first = append(s.first, len(s.spots))
		for _, pin := range p.Read {
			s.spots = append(s.spots, spot{pin: pin, group: int(p.Group)})
		}
	}
	s.first = append(s.first, len(s.spots))
	return s
}

func (s *spotDeriver) Add(o Observation) {
	p := int(o.Point)
	if p+1 >= len(s.first) {
		return // of no point of this measurement
	}
	for i := s.first[p]; i < s.first[p+1]; i++ {
		if s.spots[i].pin == int(o.Pin) {
			s.spots[i].add(&o)
			return
		}
	}
}

func (s *spotDeriver) Results() []Result { return s.evaluate(&s.kit, s.spots) }
