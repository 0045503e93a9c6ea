package run

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"sync"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// fakeKind is a kind of measurement whose points are given.
type fakeKind struct {
	points  map[string][]procedure.Point // by measurement ID
	panicAt int                          // number of the observation that panics
	added   int
	shape   procedure.Shape
	outcome derive.Outcome
}

func (k *fakeKind) Key() string               { return "fake" }
func (k *fakeKind) Title() string             { return "Fake" }
func (k *fakeKind) Summary() string           { return "" }
func (k *fakeKind) Fields() []procedure.Field { return nil }
func (k *fakeKind) Outputs() []procedure.Output {
	return []procedure.Output{{Key: "mean", Unit: quantity.Ampere}}
}
func (k *fakeKind) Default(*dut.Device) procedure.Measurement { return procedure.Measurement{} }
func (k *fakeKind) Validate(*procedure.Measurement, *dut.Device) dut.Problems {
	return nil
}
func (k *fakeKind) Points(m *procedure.Measurement, _ *dut.Device) iter.Seq[procedure.Point] {
	return slices.Values(k.points[m.ID])
}
func (k *fakeKind) Shape(*procedure.Measurement, *dut.Device) procedure.Shape { return k.shape }
func (k *fakeKind) Derive(*procedure.Measurement, *dut.Device, procedure.Rule) procedure.Deriver {
	return &fakeDeriver{kind: k}
}

func (k *fakeKind) Imagine(*procedure.Measurement, *dut.Device, string, float64) procedure.Imagined {
	return procedure.NoPrediction("a fake")
}
func (k *fakeKind) Shorten(*procedure.Measurement) {}
func (k *fakeKind) Together() bool                 { return false }
func (k *fakeKind) Drives(*procedure.Measurement, *dut.Device, int) procedure.Driven {
	return procedure.Driven{}
}

type fakeDeriver struct {
	kind *fakeKind
	n    int
	sum  float64
}

func (d *fakeDeriver) Add(o procedure.Observation) {
	d.kind.added++
	if d.kind.added == d.kind.panicAt {
		panic("deriver")
	}
	d.n++
	d.sum += o.I
}

func (d *fakeDeriver) Results() []procedure.Result {
	if d.n == 0 {
		return nil
	}
	return []procedure.Result{{Key: "mean", Value: d.sum / float64(d.n), Unit: quantity.Ampere, Outcome: d.kind.outcome}}
}

// witness is a recorder and observer that compares what is shown with what is
// stored.
type witness struct {
	mu       sync.Mutex
	begun    int
	beginErr error
	head     procedure.Record
	appends  int
	failAt   int // number of the Append that fails
	slow     time.Duration
	stored   map[bench.Reading]int
	results  map[procedure.Result]bool
	finished []procedure.Ending
	updates  []Update
	shown    int
	broken   []string
	endFails bool
	onStore  func(n int)
}

func newWitness() *witness {
	return &witness{stored: map[bench.Reading]int{}, results: map[procedure.Result]bool{}}
}

func (w *witness) Begin(_ context.Context, r *procedure.Record) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.beginErr != nil {
		return w.beginErr
	}
	w.head = *r
	w.begun++
	return nil
}

func (w *witness) Append(_ context.Context, _ string, b procedure.Batch) error {
	time.Sleep(w.slow) // in a bubble: its clock
	w.mu.Lock()
	defer w.mu.Unlock()
	w.appends++
	if w.onStore != nil {
		w.onStore(w.appends)
	}
	if len(w.finished) > 0 {
		w.broken = append(w.broken, "stored after the end")
	}
	if w.failAt > 0 && w.appends > w.failAt {
		w.broken = append(w.broken, "stored after storing had failed")
	}
	if w.appends == w.failAt {
		return errors.New("disk full")
	}
	for _, p := range b.Readings {
		for _, r := range p.Readings {
			w.stored[r]++
		}
	}
	for _, r := range b.Results {
		w.results[r] = true
	}
	return nil
}

func (w *witness) Finish(_ context.Context, _ string, e procedure.Ending) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.finished = append(w.finished, e)
	if w.endFails {
		return errors.New("disk full")
	}
	return nil
}

func (w *witness) Observe(u Update) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, p := range u.Batch.Readings {
		for _, r := range p.Readings {
			w.shown++
			if w.stored[r] == 0 {
				w.broken = append(w.broken, fmt.Sprintf("reading %+v shown, not stored", r))
			}
		}
	}
	for _, r := range u.Batch.Results {
		if !w.results[r] {
			w.broken = append(w.broken, fmt.Sprintf("result %+v shown, not stored", r))
		}
	}
	if int64(w.shown) != u.Progress.Readings {
		w.broken = append(w.broken, fmt.Sprintf("%d readings shown, progress says %d", w.shown, u.Progress.Readings))
	}
	u.Batch.Readings = slices.Clone(u.Batch.Readings)
	for i := range u.Batch.Readings {
		p := &u.Batch.Readings[i]
		p.Readings = slices.Clone(p.Readings)
	}
	w.updates = append(w.updates, u)
}

// brokenOtherThanCounts are the broken rules that hold for several runs in a
// row: one witness counts the readings and the ends of a single run.
func (w *witness) brokenOtherThanCounts() []string {
	var out []string
	for _, s := range w.broken {
		if !strings.Contains(s, "progress says") && s != "stored after the end" {
			out = append(out, s)
		}
	}
	return out
}
