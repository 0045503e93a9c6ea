package card

import (
	"fmt"
	"math"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/scpi"
)

const (
	// overscale is the reach of a converter beyond its full scale: the value given
	// to a reading that is over range without a value.
	overscale = 1.05
	// believable is the largest value that is accepted, as a multiple of the full
	// scale.
	believable = 1.2
	// echoPart is the tolerance of a level that a card sends back, as a part of
	// it.
	echoPart = 1e-6
)

// Bits of the status of a reading.
const (
	statusLimit  = 1
	statusOver   = 2
	statusOn     = 4
	statusErrors = 8
	statusBits   = statusLimit | statusOver | statusOn | statusErrors
)

// taken is one channel's part of an answer to a reading.
type taken struct {
	sample bench.Sample
	status int
	// What the fields say, where there are such fields.
	hasStatus, hasLevel bool
	level               float64
}

// parse splits an answer into the fields of each channel, in the order asked.
// An error says what about the answer makes no sense.
func (d *dialect) parse(answer string, from []*channel, room []string, out []taken) ([]string, []taken, error) {
	values, err := scpi.SplitAnswer(room[:0], answer)
	if err != nil {
		return values, out, fmt.Errorf("%w: %s", ErrAnswer, shown(answer))
	}
	if want := len(from) * len(d.fields); len(values) != want {
		return values, out, fmt.Errorf("%w: %d values came instead of %d: %s", ErrAnswer, len(values), want, shown(answer))
	}
	for i, c := range from {
		one, err := d.parseOne(c, values[i*len(d.fields):(i+1)*len(d.fields)])
		if err != nil {
			return values, out, err
		}
		out = append(out, one)
	}
	return values, out, nil
}

func (d *dialect) parseOne(c *channel, values []string) (taken, error) {
	t := taken{sample: bench.Sample{Channel: c.def.ID}}
	for k, field := range d.fields {
		if field == "skip" {
			continue
		}
		x, err := scpi.ParseNumber(values[k])
		if err != nil {
			return t, fmt.Errorf("%w: %s is no number", ErrAnswer, shown(values[k]))
		}
		var over bool
		switch field {
		case "v":
			t.sample.V, over, err = sensed(x, c.senseV, "V")
		case "i":
			t.sample.I, over, err = sensed(x, c.senseI, "A")
		case "status":
			t.status, t.hasStatus = int(x), true
			if x != math.Trunc(x) || x < 0 || x > math.MaxUint8 || t.status&^statusBits != 0 {
				err = fmt.Errorf("%w: %s is no status of a reading", ErrAnswer, shown(values[k]))
			}
		case "limit":
			if x != 0 && x != 1 {
				err = fmt.Errorf("%w: %s is neither 0 nor 1", ErrAnswer, shown(values[k]))
			}
			t.flag(bench.InCompliance, x == 1)
		case "level":
			t.level, t.hasLevel = x, true
			if !finite(x) {
				err = fmt.Errorf("%w: %s is no level", ErrAnswer, shown(values[k]))
			}
		}
		if err != nil {
			return t, err
		}
		t.flag(bench.OverRange, over)
	}
	t.flag(bench.InCompliance, t.status&statusLimit != 0)
	t.flag(bench.OverRange, t.status&statusOver != 0)
	return t, nil
}

func (t *taken) flag(f bench.Flags, set bool) {
	if set {
		t.sample.Flags |= f
	}
}

// sensed classifies a value: within reach of the range, or over range.
func sensed(x float64, r bench.Range, unit string) (value float64, over bool, err error) {
	switch {
	case math.IsNaN(x):
		return 0, false, fmt.Errorf("%w: the card says that the reading is not a number", ErrAnswer)
	case math.IsInf(x, 0):
		return math.Copysign(overscale*r.FullScale, x), true, nil
	case math.Abs(x) > believable*r.FullScale:
		return 0, false, fmt.Errorf("%w: %g %s cannot be read in the range of %g %s", ErrAnswer, x, unit, r.FullScale, unit)
	}
	return x, false, nil
}

// asSet compares a reading with the channel's settings and returns an error
// where the channel is not as it was set.
func (t *taken) asSet(c *channel) error {
	if t.hasStatus && (t.status&statusOn != 0) != c.on {
		return fmt.Errorf("%w: the output of channel %s is %s, and should be %s", ErrState, c.def.Name, onOff(!c.on), onOff(c.on))
	}
	if !t.hasLevel {
		return nil
	}
	want := c.level()
	if math.Abs(t.level-want) > max(echoPart*math.Abs(want), c.force.Step) {
		return fmt.Errorf("%w: channel %s has a level of %g, and should have %g", ErrState, c.def.Name, t.level, want)
	}
	return nil
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

// shown quotes and shortens a text for a person.
func shown(text string) string {
	const most = 80
	text = strings.TrimSpace(text)
	if len(text) > most {
		text = text[:most] + "…"
	}
	return fmt.Sprintf("%q", text)
}
