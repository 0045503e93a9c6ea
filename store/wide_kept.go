package store

// keptMost is the memory that the values of all wide tables in the making may
// take together, in bytes.
const keptMost = 8 << 20

// valueBytes is the memory of one kept value, in bytes: the number of its
// result, and itself.
const valueBytes = 2 + 8

// valueBlock is the values of a block of runs as they are read.
type valueBlock struct {
	runs    []runKey
	run     []uint16 // of each value, its place in runs
	numbers []uint16 // of its result: below maxWide
	values  []float64
}

func (b *valueBlock) add(run, number int, v float64) {
	b.run, b.numbers, b.values = append(b.run, uint16(run)), append(b.numbers, uint16(number)), append(b.values, v)
}

// runValues are the values of one run.
type runValues struct {
	numbers []uint16
	values  []float64
}

// pack sorts the values by run into a map by the run's seq.
func (b *valueBlock) pack(into map[int64]runValues) {
	counts := make([]int, len(b.runs))
	for _, run := range b.run {
		counts[run]++
	}
	numbers, values := make([]uint16, len(b.numbers)), make([]float64, len(b.values))
	next := make([]int, len(b.runs)) // where the next value of each run goes
	for run, at := 0, 0; run < len(counts); run++ {
		end := at + counts[run]
		into[b.runs[run].seq] = runValues{numbers[at:end], values[at:end]}
		next[run], at = at, end
	}
	for i, run := range b.run {
		numbers[next[run]], values[next[run]] = b.numbers[i], b.values[i]
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
	size := int64(len(b.values) * valueBytes)
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
