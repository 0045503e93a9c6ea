package procedure

import (
	"math"
	"slices"
)

// A voltage follows a level along a straight line, as far as a point with the level
// moved tells. One point more, with all levels moved by a part of that, tells whether
// it does: of a straight line it shows the same part.

// steeperAt is by how many times what the slopes over the two strides differ by the
// slope at the level itself may differ from the one over the longer: 1.5 times for a
// parabola, 3.1 times for an exponential that falls to a quarter over the shorter
// stride, and 2.5 times for a step at the level, up to what the shorter stride sees.
const steeperAt = 4

// bender is a kind whose values may be voltages that follow levels along curves; each
// says so in its own file.
type bender interface{ mayBend(m *Measurement) bool }

// hidesBends reports whether what the point with all levels moved shows of one may be
// undone by another: several levels are held, and a voltage is sensed.
func hidesBends(m *Measurement, held []Held) bool {
	var sets []float64
	for _, h := range held {
		if h.Set != 0 && !slices.Contains(sets, h.Set) {
			sets = append(sets, h.Set)
		}
	}
	k, _ := KindByKey(m.Kind)
	b, is := k.(bender)
	return is && len(sets) > 1 && b.mayBend(m)
}

// bends gives the conditions of a voltage the bend that a point with all of their
// levels moved tells of. Which of them it comes from is not known: it is that by which
// the value would be off the most.
func (s *spot) bends(use Use, base *spot, all []condition) {
	if use != UseCurrent || len(all) == 0 || !base.read() || !s.read() || !base.trusted() || !s.trusted() {
		return
	}
	a, b := base.situation(), s.situation()
	if a == nil || b == nil || a.seg != b.seg {
		return
	}
	is, ok := s.settledAt(use, base)
	if !ok {
		return
	}
	beyond := is.Sub(a.sensedOf(base.sense.Drive, use))
	moved := make([]float64, len(all))
	worst, most := -1, 0.0
	for i := range all {
		by := b.movedFrom(a, all[i].drives)
		beyond = beyond.Sub(all[i].follows.Mul(by))
		moved[i] = math.Abs(by.X)
		if off := atMost(all[i].off) / moved[i]; off > most && finite(off) {
			worst, most = i, off
		}
	}
	// What noise and settling explain is none.
	explained := sure * beyond.Uc()
	if bend := math.Sqrt(max(0, beyond.X*beyond.X-explained*explained)); worst >= 0 {
		all[worst].bend += steeperAt * bend / moved[worst]
	}
}
