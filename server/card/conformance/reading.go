package conformance

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/protocol"
)

// reading is one channel's part of the answer to READ?.
type reading struct {
	v, i, level float64
	status      int
}

// Values of the protocol that stand for no value.
const (
	infinity  = 9.9e37
	notNumber = 9.91e37
)

// readings takes the answer of READ? apart and holds what every reading must.
func (t *trial) readings(answer string, numbers ...int) ([]reading, error) {
	fields := strings.Split(answer, ",")
	if len(fields) != protocol.ReadingValues*len(numbers) {
		return nil, wrongf("%s: %d values, not %d for each of %d channels", answer, len(fields), protocol.ReadingValues, len(numbers))
	}
	out := make([]reading, len(numbers))
	for k, n := range numbers {
		f := fields[protocol.ReadingValues*k:]
		r := &out[k]
		var errs [4]error
		r.v, errs[0] = readNumber(f[0])
		r.i, errs[1] = readNumber(f[1])
		r.status, errs[2] = strconv.Atoi(f[2])
		r.level, errs[3] = readNumber(f[3])
		for _, err := range errs {
			if err != nil {
				return nil, wrongf("%s: %v", answer, err)
			}
		}
		if err := r.plausible(t.card.channel(n)); err != nil {
			return nil, wrongf("%s: channel %d: %v", answer, n, err)
		}
	}
	return out, nil
}

// plausible holds status and values against each other.
func (r *reading) plausible(ch *Channel) error {
	const known = protocol.AtLimit | protocol.OverRange | protocol.OutputOn | protocol.ErrorWaits
	if r.status&^known != 0 || r.status < 0 {
		return fmt.Errorf("status %d has bits that there are not", r.status)
	}
	var over bool
	for _, x := range []struct {
		value  float64
		ranges []bench.Range
	}{{r.v, ch.SenseV}, {r.i, ch.SenseI}} {
		if len(x.ranges) == 0 || x.value == notNumber {
			continue
		}
		// Converters reach some percent beyond their full scale.
		if full := x.ranges[len(x.ranges)-1].FullScale; math.Abs(x.value) > 1.25*full {
			over = true
			if math.Abs(x.value) != infinity {
				return fmt.Errorf("%g is beyond every range, and neither clipped nor 9.9E37", x.value)
			}
		}
	}
	if over && r.status&protocol.OverRange == 0 {
		return fmt.Errorf("9.9E37, and status %d does not say that it is over range", r.status)
	}
	return nil
}

// read reads the channel and looks at the reading.
func read(words string, ok func(*trial, reading) error) step {
	return step{"READ? (@{n}) → v,i,status,level: " + words, func(t *trial) (string, error) {
		answer, err := t.ask("READ? (@{n})")
		if err != nil {
			return "", err
		}
		rs, err := t.readings(answer, t.channel)
		if err != nil {
			return "", err
		}
		if err := ok(t, rs[0]); err != nil {
			return "", wrongf("%s: %v", answer, err)
		}
		return answer, nil
	}}
}

// value is one of the channel's values as a number.
func (t *trial) value(place string) (float64, error) {
	text, err := t.values.fill(place)
	if err != nil {
		return 0, err
	}
	return strconv.ParseFloat(text, 64)
}

// status wants bits set and others not.
func (r reading) has(set, clear int) error {
	if r.status&set != set || r.status&clear != 0 {
		return fmt.Errorf("status %d, where %d is to be set and %d not", r.status, set, clear)
	}
	return nil
}

// about wants a value near what is set: this is no calibration, so a part of
// the level, the ranges' own errors and some hundredths of a volt may be off.
func about(x, level, slack float64) error {
	if math.Abs(x-level) > slack {
		return fmt.Errorf("%g is more than %g away from %g", x, slack, level)
	}
	return nil
}

// echoed wants the level that is set in a force range.
func (t *trial) echoed(r reading, level, of string) error {
	x, err := t.value(level)
	if err != nil {
		return err
	}
	if most := t.echoes(x, of); math.Abs(r.level-x) > most {
		return fmt.Errorf("level %g, where %g is set", r.level, x)
	}
	return nil
}
