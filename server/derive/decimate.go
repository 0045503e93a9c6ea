package derive

// Summary stands for a run of readings: enough to draw it in one pixel column
// and to merge it with its neighbour. Readings that are not finite are left out.
// T is in s, V in the unit of the readings.
type Summary struct {
	N             int
	TFirst, TLast float64
	VFirst, VLast float64
	VMin, VMax    float64
}

// Summarise condenses readings (t ascending) into one summary.
func Summarise(t, v []float64) Summary {
	var s Summary
	s.addSlice(t, v)
	return s
}

// Merge joins s with the summary of the readings that follow it.
func (s Summary) Merge(next Summary) Summary {
	if s.N == 0 {
		return next
	}
	if next.N == 0 {
		return s
	}
	s.N += next.N
	s.TLast, s.VLast = next.TLast, next.VLast
	s.VMin, s.VMax = min(s.VMin, next.VMin), max(s.VMax, next.VMax)
	return s
}

func (s *Summary) add(t, v float64) {
	if v-v != 0 { // NaN or infinite
		return
	}
	if s.N == 0 {
		*s = Summary{1, t, t, v, v, v, v}
		return
	}
	s.N++
	s.TLast, s.VLast = t, v
	if v < s.VMin {
		s.VMin = v
	}
	if v > s.VMax {
		s.VMax = v
	}
}

// addSlice takes many readings with the running values in registers.
func (s *Summary) addSlice(t, v []float64) {
	i := 0
	for ; i < len(v) && s.N == 0; i++ {
		s.add(t[i], v[i])
	}
	if i >= len(v) {
		return
	}
	lo, hi, n, last := s.VMin, s.VMax, s.N, -1
	for ; i < len(v); i++ {
		y := v[i]
		if y-y != 0 { // NaN or infinite
			continue
		}
		n++
		last = i
		if y < lo {
			lo = y
		}
		if y > hi {
			hi = y
		}
	}
	s.VMin, s.VMax, s.N = lo, hi, n
	if last >= 0 {
		s.TLast, s.VLast = t[last], v[last]
	}
}

// Decimator condenses a stream to at most a fixed number of columns in bounded
// memory: when they are full, neighbours are merged and every column from then
// on takes twice as many readings. Extremes are never lost. Adding does not
// allocate.
type Decimator struct {
	limit   int
	width   int // readings per column, doubling
	columns []Summary
}

// NewDecimator makes one for at most columns columns (at least 2, made even).
func NewDecimator(columns int) *Decimator {
	limit := max(columns-columns%2, 2)
	return &Decimator{limit: limit, width: 1, columns: make([]Summary, 0, limit)}
}

// Width is the number of readings a full column stands for.
func (d *Decimator) Width() int { return d.width }

// Add takes the reading v at t; one that is not finite is left out.
func (d *Decimator) Add(t, v float64) {
	if v-v != 0 { // NaN or infinite
		return
	}
	d.open().add(t, v)
}

// AddSlice takes many readings, t and v of the same length.
func (d *Decimator) AddSlice(t, v []float64) {
	for len(v) > 0 {
		if v[0]-v[0] != 0 { // nothing to make room for
			t, v = t[1:], v[1:]
			continue
		}
		col := d.open()
		n := min(d.width-col.N, len(v))
		col.addSlice(t[:n], v[:n])
		t, v = t[n:], v[n:]
	}
}

// AddSummary takes the summary of a run of readings, such as a stored chunk. A
// column may then hold more readings than Width by less than one summary.
func (d *Decimator) AddSummary(s Summary) {
	if s.N == 0 {
		return
	}
	col := d.open()
	*col = col.Merge(s)
}

// open returns the column that takes the next reading, making room first.
func (d *Decimator) open() *Summary {
	if n := len(d.columns); n > 0 && d.columns[n-1].N < d.width {
		return &d.columns[n-1]
	}
	if len(d.columns) == d.limit {
		for i := 0; i < d.limit/2; i++ {
			d.columns[i] = d.columns[2*i].Merge(d.columns[2*i+1])
		}
		d.columns = d.columns[:d.limit/2]
		d.width *= 2
	}
	d.columns = append(d.columns, Summary{})
	return &d.columns[len(d.columns)-1]
}

// Columns appends the columns so far to dst, the open one last.
func (d *Decimator) Columns(dst []Summary) []Summary {
	n := len(d.columns)
	if n > 0 && d.columns[n-1].N == 0 {
		n--
	}
	return append(dst, d.columns[:n]...)
}

// Regroup merges neighbouring summaries to at most columns of them, by count of
// summaries: for chunk summaries of equal size.
func Regroup(in []Summary, columns int) []Summary {
	if columns < 1 {
		return nil
	}
	out := make([]Summary, 0, min(len(in), columns))
	for c, from := 0, 0; c < columns && from < len(in); c++ {
		to := max((c+1)*len(in)/columns, from)
		var s Summary
		for _, next := range in[from:to] {
			s = s.Merge(next)
		}
		if s.N > 0 {
			out = append(out, s)
		}
		from = to
	}
	return out
}

// Polyline picks the points of a curve that a screen can tell apart. px and py
// are pixel coordinates (the caller has applied the axes, log or not). Of each
// run of successive points less than a pixel wide it keeps the first, the
// lowest, the highest and the last, in order: the drawn line covers the same
// pixels. A run goes by its width and not by pixel columns, since the noise of
// a slow sweep crosses from one column to the next and back time and again. It
// follows the order of the points, so an up and a down sweep stay two branches.
// The first of each run of points that are not finite is kept too: it marks a gap.
// dst takes the indices, ascending.
func Polyline(dst []int, px, py []float64) []int {
	for i := 0; i < len(px); {
		if !finite(px[i]) || !finite(py[i]) {
			dst = append(dst, i)
			for i < len(px) && (!finite(px[i]) || !finite(py[i])) {
				i++
			}
			continue
		}
		first, lo, hi, left, right := i, i, i, px[i], px[i]
		for i++; i < len(px) && finite(py[i]); i++ {
			l, r := min(left, px[i]), max(right, px[i])
			if !(r-l < 1) { // also where it is not finite
				break
			}
			left, right = l, r
			if py[i] < py[lo] {
				lo = i
			}
			if py[i] > py[hi] {
				hi = i
			}
		}
		dst = appendOrdered(dst, first, min(lo, hi), max(lo, hi), i-1)
	}
	return dst
}

// appendOrdered appends ascending indices without repeats.
func appendOrdered(dst []int, indices ...int) []int {
	last := -1
	for _, i := range indices {
		if i > last {
			dst = append(dst, i)
			last = i
		}
	}
	return dst
}
