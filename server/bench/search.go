package bench

// variable is a need that is not served yet, with the paths that could serve
// it.
type variable struct {
	need  Need
	cands []candidate
}

// finder holds the state of one exact search: depth first, the need with the
// fewest paths left first, a branch given up as soon as a need has none left
// or it cannot keep more of the preferred paths than the best found.
type finder struct {
	vars    []variable
	kept    map[PathID]bool
	channel [256]bool // taken channels
	mux     []bool    // taken multiplexers, by index
	pick    []int     // candidate index by variable, -1: not yet
	best    []int
	bestN   int // preferred paths kept by best
}

// search returns for each variable the index of the candidate that serves it,
// such that no channel and no multiplexer is used twice and as many paths of
// kept as possible are used. Since every solution has the same number of
// paths, that is also the solution that moves fewest.
func search(vars []variable, kept map[PathID]bool) ([]int, bool) {
	if !enough(vars) {
		return nil, false
	}
	muxes := 0
	for _, v := range vars {
		for _, c := range v.cands {
			muxes = max(muxes, c.mux+1)
		}
	}
	f := &finder{vars: vars, kept: kept, mux: make([]bool, muxes), bestN: -1, pick: make([]int, len(vars))}
	for i := range f.pick {
		f.pick[i] = -1
	}
	free := f.settleFree()
	f.run(len(vars)-len(free), f.keptOf(free))
	return f.best, f.best != nil
}

// settleFree serves the needs that have a path which no other need competes
// for: nothing is lost by taking it. It returns their indexes.
func (f *finder) settleFree() []int {
	users := make([]int, len(f.mux)) // needs that could use a multiplexer
	last := make([]int, len(f.mux))  // the last of them, from 1
	for i, v := range f.vars {
		for _, c := range v.cands {
			if last[c.mux] != i+1 {
				last[c.mux] = i + 1
				users[c.mux]++
			}
		}
	}
	var done []int
	for i, v := range f.vars {
		free, preferred := -1, false
		for j, c := range v.cands {
			alone := c.channel == 0 && users[c.mux] == 1
			if f.kept[c.path] {
				preferred = true
				if alone {
					free, preferred = j, false
					break
				}
			}
			if alone && free < 0 {
				free = j
			}
		}
		if free >= 0 && !preferred {
			f.pick[i] = free
			done = append(done, i)
		}
	}
	return done
}

func (f *finder) keptOf(indexes []int) int {
	n := 0
	for _, i := range indexes {
		if f.kept[f.vars[i].cands[f.pick[i]].path] {
			n++
		}
	}
	return n
}

func (f *finder) live(c candidate) bool {
	return !f.mux[c.mux] && (c.channel == 0 || !f.channel[c.channel])
}

// next chooses the unserved need with the fewest live paths, and says how
// many preferred paths could still be kept. A need without any: dead.
func (f *finder) next() (choice, possible int, dead bool) {
	choice, fewest := -1, 0
	for i, v := range f.vars {
		if f.pick[i] >= 0 {
			continue
		}
		n, preferred := 0, false
		for _, c := range v.cands {
			if f.live(c) {
				n++
				preferred = preferred || f.kept[c.path]
			}
		}
		if n == 0 {
			return 0, 0, true
		}
		if preferred {
			possible++
		}
		if choice < 0 || n < fewest {
			choice, fewest = i, n
		}
	}
	return choice, possible, false
}

// run serves the remaining needs.
func (f *finder) run(left, kept int) {
	if left == 0 {
		f.best = append(f.best[:0], f.pick...)
		if f.best == nil {
			f.best = []int{}
		}
		f.bestN = kept
		return
	}
	i, possible, dead := f.next()
	bound := kept + possible
	if dead || bound <= f.bestN {
		return
	}
	for _, wanted := range []bool{true, false} { // preferred paths first
		for j, c := range f.vars[i].cands {
			if f.kept[c.path] != wanted || !f.live(c) {
				continue
			}
			gain := 0
			if wanted {
				gain = 1
			}
			f.take(i, j, c, true)
			f.run(left-1, kept+gain)
			f.take(i, -1, c, false)
			if f.bestN >= bound {
				return
			}
		}
	}
}

func (f *finder) take(i, j int, c candidate, on bool) {
	f.pick[i] = j
	f.mux[c.mux] = on
	if c.channel != 0 {
		f.channel[c.channel] = on
	}
}

// enough is a quick necessary condition for a solution: by channels alone, and
// by multiplexers alone, every need can have one of its own (a bipartite
// matching). It keeps the search from proving a pigeonhole the long way.
func enough(vars []variable) bool {
	return matched(vars, func(c candidate) (int, bool) { return int(c.channel), c.channel != 0 }) &&
		matched(vars, func(c candidate) (int, bool) { return c.mux, true })
}

// matched reports whether every variable can have a resource of its own. A
// variable with a candidate that uses none is served already.
func matched(vars []variable, resource func(candidate) (int, bool)) bool {
	owner := map[int]int{}
	seen := map[int]bool{}
	var try func(i int) bool
	try = func(i int) bool {
		for _, c := range vars[i].cands {
			r, uses := resource(c)
			if !uses {
				return true
			}
			if seen[r] {
				continue
			}
			seen[r] = true
			if o, taken := owner[r]; !taken || try(o) {
				owner[r] = i
				return true
			}
		}
		return false
	}
	for i := range vars {
		clear(seen)
		if !try(i) {
			return false
		}
	}
	return true
}
