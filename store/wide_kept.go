package store

import (
	"math"
	"slices"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
)

// keptMost is the memory that the values of all wide tables in the making may
// take together, in bytes.
const keptMost = 24 << 20

// valueBytes is the memory of one kept value, in bytes: the number of its
// result, itself, its interval and its outcome.
const valueBytes = 2 + 8 + 2*8 + 1

// stated is what a wide table says of results, in columns of equal length:
// the value, the ends of its interval, NaN where there is none, and its outcome by
// the number that outcomes gives it.
type stated struct {
	value    []float64
	interval [][2]float64
	outcome  []uint8
}

func newStated(n int) stated {
	return stated{make([]float64, n), make([][2]float64, n), make([]uint8, n)}
}

// set has statement i be statement k of another.
func (s *stated) set(i int, from *stated, k int) {
	s.value[i], s.interval[i], s.outcome[i] = from.value[k], from.interval[k], from.outcome[k]
}

// part is a stretch of them.
func (s *stated) part(from, to int) stated {
	return stated{s.value[from:to], s.interval[from:to], s.outcome[from:to]}
}

// outcomes numbers the outcomes of a table in the order in which they come, so
// that one takes a byte. There are fewer than ten.
type outcomes struct{ list []derive.Outcome }

func (o *outcomes) number(of derive.Outcome) uint8 {
	n := slices.Index(o.list, of)
	if n < 0 {
		n = len(o.list)
		o.list = append(o.list, of)
	}
	return uint8(min(n, math.MaxUint8))
}

// valueBlock is the values of a block of runs as they are read.
type valueBlock struct {
	runs    []runKey
	run     []uint16 // of each value, its place in runs
	numbers []uint16 // of its result: below maxWide
	values  stated
}

// add takes a result in; outcome is its number.
func (b *valueBlock) add(run, number int, x *procedure.Result, outcome uint8) {
	b.run, b.numbers = append(b.run, uint16(run)), append(b.numbers, uint16(number))
	v := &b.values
	v.value, v.interval, v.outcome = append(v.value, x.Value), append(v.interval, [2]float64{x.From, x.To}), append(v.outcome, outcome)
}

// runValues are the values of one run.
type runValues struct {
	numbers []uint16
	values  stated
}

// pack sorts the values by run into a map by the run's seq.
func (b *valueBlock) pack(into map[int64]runValues) {
	counts := make([]int, len(b.runs))
	for _, run := range b.run {
		counts[run]++
	}
	numbers, values := make([]uint16, len(b.numbers)), newStated(len(b.numbers))
	next := make([]int, len(b.runs)) // where the next value of each run goes
	for run, at := 0, 0; run < len(counts); run++ {
		end := at + counts[run]
		into[b.runs[run].seq] = runValues{numbers[at:end], values.part(at, end)}
		next[run], at = at, end
	}
	for i, run := range b.run {
		numbers[next[run]] = b.numbers[i]
		values.set(next[run], &b.values, i)
		next[run]++
	}
}

// keptValues are the values of one wide table that were read when its columns
// were found.
type keptValues struct {
	store *Store
	runs  map[int64]runValues // by seq
	bytes int64               // taken of the store's account
}

// keep packs a block's values, unless all tables together keep too much.
func (k *keptValues) keep(b *valueBlock) {
	size := int64(len(b.numbers) * valueBytes)
	if k.store.kept.Add(size) > keptMost {
		k.store.kept.Add(-size)
		return
	}
	k.bytes += size
	b.pack(k.runs)
}

// release gives back the table's share of the memory that all wide tables may
// take.
func (k *keptValues) release() {
	k.store.kept.Add(-k.bytes)
	k.runs, k.bytes = nil, 0
}
