package lot

import (
	"cmp"
	"slices"

	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// Column is one result of a table over runs.
type Column struct {
	Identity
	Name            string // of the result
	MeasurementName string
	Place           int // of the measurement in the newest revision that has the result

	revision, order int64 // of that revision, and where the result first came in it
}

// Index is the numbering of the results of many runs: the same result has the
// same number in all of them. The zero value is ready.
type Index struct {
	columns []Column
	numbers map[Identity]int
	sources map[*Source]*sequence
}

// raw is the key of a result within one source: the identity without what the
// source says of it.
type raw struct {
	measurement, pin      int
	key, curve, condition string
	unit                  quantity.Unit
}

// sequence is the results of one source in the order in which its runs have
// them. Runs of one source nearly always have the same ones in the same order,
// so that the next one is compared instead of looked up.
type sequence struct {
	results []raw
	numbers []int
	at      map[raw]int // place in results
	next    int
}

// Len returns the number of different results.
func (x *Index) Len() int { return len(x.columns) }

// Column returns the result of a number. It is valid until the next Number.
func (x *Index) Column(number int) *Column { return &x.columns[number] }

// Number returns the number of a run's result, a new one for a new result;
// order grows in the order in which results first came.
func (x *Index) Number(from *Source, r *procedure.Result, order int64) int {
	seq := x.sources[from]
	if seq == nil {
		if x.sources == nil {
			x.sources, x.numbers = map[*Source]*sequence{}, map[Identity]int{}
		}
		seq = &sequence{at: map[raw]int{}}
		x.sources[from] = seq
	}
	k := raw{r.Measurement, r.Pin, r.Key, r.Group, r.Condition, r.Unit}
	place := seq.next
	if place >= len(seq.results) || seq.results[place] != k {
		var known bool
		if place, known = seq.at[k]; !known {
			place = len(seq.results)
			seq.at[k] = place
			seq.results, seq.numbers = append(seq.results, k), append(seq.numbers, x.number(from, r))
		}
	}
	if seq.next = place + 1; seq.next == len(seq.results) {
		seq.next = 0
	}
	number := seq.numbers[place]
	x.columns[number].seen(from, r, order)
	return number
}

func (x *Index) number(from *Source, r *procedure.Result) int {
	id := from.Identity(r)
	n, known := x.numbers[id]
	if !known {
		n = len(x.columns)
		x.numbers[id] = n
		x.columns = append(x.columns, Column{Identity: id, revision: -1})
	}
	return n
}

// seen updates words and place from the newest revision that has the result.
func (c *Column) seen(from *Source, r *procedure.Result, order int64) {
	switch {
	case from.Revision > c.revision:
		c.revision, c.order = from.Revision, order
		c.Place, c.Name, c.MeasurementName = r.Measurement, r.Name, from.name(r.Measurement)
	case from.Revision == c.revision && order < c.order:
		c.order = order
	}
}

// Order returns the numbers in the order in which results stand side by side:
// by procedure, those of the newest revision before those that only older ones
// have, by measurement, and as they first came.
func (x *Index) Order() []int {
	out := make([]int, len(x.columns))
	for i := range out {
		out[i] = i
	}
	slices.SortFunc(out, func(a, b int) int {
		p, q := &x.columns[a], &x.columns[b]
		return cmp.Or(cmp.Compare(p.Procedure, q.Procedure), cmp.Compare(q.revision, p.revision),
			cmp.Compare(p.Place, q.Place), cmp.Compare(p.order, q.order), cmp.Compare(a, b))
	})
	return out
}
