package procedure

import (
	"math"
	"slices"
	"strings"

	"ohmkeep/server/bench"
)

// Prediction is how well a result will be known, worked out from the ranges and
// paths that it will be measured with.
type Prediction struct {
	Result         // with the value in the middle of its limits, or at the only one
	Ratio  float64 `json:"ratio"`           // of the width of the limits to that of ±U
	Reach  string  `json:"reach,omitempty"` // what would make it 4:1
	// Given is the part of the limits' width that the decision rule gives away,
	// for a single limit of its distance from zero; FalseAccept how probably the
	// last value that passes is beyond its limit.
	Given       float64 `json:"given"`
	FalseAccept float64 `json:"falseAccept"`

	// read is the range that it will be read in, and small a smaller one where that
	// is far too coarse.
	read  ranged
	small bench.Range
}

// Ratios of the width of the limits to that of the uncertainty interval. Four to
// one is the usual rule (common practice); below one to one an outcome would say
// nothing.
const (
	ratioWarn  = 4.0
	ratioError = 1.0
)

// maxPredicted bounds the readings that are made up for a prediction.
const maxPredicted = 200_000

// width is what the limits leave: their span, or for a single limit its distance
// from zero. It reports false where there is nothing to compare with.
func (l Limit) width() (float64, bool) {
	switch {
	case l.Low != nil && l.High != nil:
		return *l.High - *l.Low, *l.High > *l.Low
	case l.Low != nil:
		return math.Abs(*l.Low), *l.Low != 0
	case l.High != nil:
		return math.Abs(*l.High), *l.High != 0
	}
	return 0, false
}

// middle is the value that a prediction is made for.
func (l Limit) middle() float64 {
	switch {
	case l.Low != nil && l.High != nil:
		return *l.Low/2 + *l.High/2
	case l.Low != nil:
		return *l.Low
	case l.High != nil:
		return *l.High
	}
	return 0
}

// limited lists the keys of the results that have limits, sorted.
func (m *Measurement) limited() []string {
	var keys []string
	for k, l := range m.Limits {
		if _, ok := l.width(); ok {
			keys = append(keys, k)
		}
	}
	slices.Sort(keys)
	return keys
}

// predict works out the uncertainty of every limited result of a planned
// measurement: readings are made up that put the result in the middle of its
// limits, with the uncertainties that the executor would give them, and the
// kind derives its results from them. Not says why there is none, by key.
func predict(c *CheckInput, step *PlanStep) (out []Prediction, not map[string]string) {
	m := *step.Measurement
	step.Kind.Shorten(&m)
	m.Repeats = min(m.Repeats, 2)
	not = map[string]string{}
	for _, key := range m.limited() {
		if step.Points*m.repeats() > maxPredicted {
			not[key] = whyMany
			continue
		}
		x := step.Kind.Imagine(&m, c.Device, key, m.Limits[key].middle())
		if x.Part == nil {
			not[key] = x.Why
			continue
		}
		of := predictKey(c, step, &m, key, x.Part)
		if len(of) == 0 {
			not[key] = whyNoResult
		}
		out = append(out, of...)
	}
	return out, not
}

func predictKey(c *CheckInput, step *PlanStep, m *Measurement, key string, part Part) []Prediction {
	width, _ := m.Limits[key].width()
	der := &ruinsDeriver{Deriver: step.Kind.Derive(m, c.Device, c.Procedure.Rule()), m: m}
	x := &imaginer{in: c, step: step, der: der, part: part}
	for pt := range step.Kind.Points(m, c.Device) {
		x.point(&pt)
	}
	var out []Prediction
	for _, r := range der.Deriver.Results() {
		if r.Key != key || !(r.U > 0) {
			continue
		}
		p := Prediction{Result: r, Ratio: width / (2 * r.U)}
		p.forecast(c.Procedure.Rule(), width)
		for i := range der.pins {
			if read := der.pins[i].read.forLimits(m.Limits[key], r.Unit); der.pins[i].pin == r.Pin && m.Observe == 0 {
				if small, is := read.tooCoarse(&r); is {
					p.read, p.small = read, small
				}
			}
		}
		out = append(out, p)
	}
	return out
}

// imaginer makes up the readings of a measurement, point by point.
type imaginer struct {
	in        *CheckInput
	step      *PlanStep
	der       Deriver
	part      Part
	index     uint32
	at, inSeg int
	set       []bench.Setup
}

func (x *imaginer) point(pt *Point) {
	if x.at == len(x.step.Segments) {
		return
	}
	seg := x.step.Segments[x.at]
	if x.inSeg == 0 {
		x.set = make([]bench.Setup, len(seg.Drives))
		for k, d := range seg.Drives {
			if d.Zero {
				x.set[k] = d.Setup(0, d.Compliance, bench.Setup{})
			}
		}
	}
	i := 0
	for _, h := range pt.Hold {
		if h.Use == UseOpen {
			continue
		}
		k := seg.Conns[i].Drive
		i++
		if k >= 0 && h.Use.TakesChannel() {
			x.set[k] = seg.Drives[k].Setup(h.Level, h.Compliance, x.set[k])
		}
	}
	for k, d := range seg.Drives {
		if d.Witness {
			of := x.set[seg.Follows(k)]
			x.set[k] = d.Setup(of.Level, of.Compliance, bench.Setup{})
		}
	}
	cycles := pt.Aperture.ApertureSeconds(x.in.Bench.LineHz) * x.in.Bench.LineHz
	for n := range max(pt.Count, 1) {
		for _, pin := range pt.Read {
			x.read(seg, pt, pin, cycles)
		}
		if n == 0 && (pt.ReadBack || x.inSeg == 0) {
			x.readBack(seg, pt, cycles)
		}
	}
	x.index++
	if x.inSeg++; x.inSeg == seg.Points {
		x.at, x.inSeg = x.at+1, 0
	}
}

func (x *imaginer) read(seg *Segment, pt *Point, pin int, cycles float64) {
	i := slices.IndexFunc(seg.Conns, func(c *Conn) bool { return c.Pin == pin })
	k := seg.Conns[i].Drive
	set := x.set[k]
	v, c := x.part(pt, pin, set)
	x.add(seg, pt, k, pin, v, c, 0, cycles)
}

// readBack makes up what is read of the levels that are held: each as it was
// asked for.
func (x *imaginer) readBack(seg *Segment, pt *Point, cycles float64) {
	for k, d := range seg.Drives {
		if (d.Witness || !slices.Contains(pt.Read, d.Pin)) && d.Mode == bench.ForceVoltage {
			x.add(seg, pt, k, d.Pin, x.set[k].Level, 0, bench.Auxiliary, cycles)
		}
	}
}

func (x *imaginer) add(seg *Segment, pt *Point, k, pin int, v, i float64, flags bench.Flags, cycles float64) {
	sense := seg.Sense(k, x.set[k], cycles)
	if sense == nil {
		return
	}
	if pt.Auxiliary {
		flags |= bench.Auxiliary
	}
	// What the path drops and what open switches draw is on top of what the part
	// shows.
	i += x.leaks(seg, k, v)
	v += seg.Drives[k].Series.X * i
	x.der.Add(Observation{Sense: sense, Reading: bench.Reading{Point: x.index, Group: pt.Group, Set: x.set[k].Level,
		Pin: uint8(pin), Channel: seg.Drives[k].Channel.ID, V: v, I: i, Flags: flags}})
}

// leaks is what flows through open switches from a drive at v volts, A, with
// every other at its level.
func (x *imaginer) leaks(seg *Segment, k int, v float64) float64 {
	low, high := min(0, v), max(0, v)
	for j, d := range seg.Drives {
		if d.Mode == bench.ForceVoltage {
			low, high = min(low, x.set[j].Level), max(high, x.set[j].Level)
		}
	}
	sum := 0.0
	for _, l := range seg.Drives[k].Leaks {
		switch {
		case l.To == toReturn:
			sum += l.Siemens.X * v
		case l.To == toUnknown:
			sum += l.Siemens.X * (v - low/2 - high/2)
		case seg.Drives[l.To].Mode == bench.ForceVoltage:
			sum += l.Siemens.X * (v - x.set[l.To].Level)
		}
	}
	return sum
}

// precision predicts a measurement's results and speaks of those that will not
// be known well enough.
func (c *preCheck) precision(step *PlanStep) []Prediction {
	all, not := predict(&c.CheckInput, step)
	m := step.Measurement
	for _, key := range m.limited() {
		if why := not[key]; why != "" {
			c.add(SeverityNote, CodeUnpredicted, nil, []string{"limits." + key},
				"how well %s will be known cannot be said beforehand: %s", outputName(step.Kind, key), why)
		}
		var worst *Prediction
		var pins []int
		for i := range all {
			p := &all[i]
			if p.Key != key || p.Ratio >= ratioWarn {
				continue
			}
			if worst == nil || p.Ratio < worst.Ratio {
				worst = p
			}
			if !slices.Contains(pins, p.Pin) {
				pins = append(pins, p.Pin)
			}
		}
		if worst != nil {
			c.imprecise(step, worst, pins)
		}
		if worst == nil || !strings.HasPrefix(worst.Reach, rangeReaches) {
			c.coarse(all, key)
		}
	}
	return all
}

// outputName is the name of a result of the kind.
func outputName(k Kind, key string) string {
	for _, o := range k.Outputs() {
		if o.Key == key {
			return o.Name
		}
	}
	return key
}

func (c *preCheck) imprecise(step *PlanStep, p *Prediction, pins []int) {
	severity := SeverityWarning
	if p.Ratio < ratioError {
		severity = SeverityError
	}
	p.Reach = c.reach(step.Measurement, p)
	c.add(severity, CodePrecision, pins, []string{"limits." + p.Key},
		"%s will be known to ±%s, and its limits are %.2g:1 of that, where %g:1 is usual: %s",
		p.Name, say(p.U, p.Unit), p.Ratio, ratioWarn, p.Reach)
}
