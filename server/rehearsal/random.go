package rehearsal

import (
	"hash/fnv"
	"math"
	"math/rand/v2"

	"ohmkeep/server/bench"
)

// stream returns the random source for one purpose. A purpose's numbers do not
// depend on what else was drawn, so that a bench stays itself when a fault is
// seated, a path is added or an effect of its world is switched off.
func stream(seed uint64, purpose string) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(purpose))
	return rand.New(rand.NewPCG(seed, h.Sum64()))
}

// symmetric is uniform within ±limit.
func symmetric(r *rand.Rand, limit float64) float64 { return limit * (2*r.Float64() - 1) }

// drawn is an error of a distribution whose stated bound is a. One uniform
// number decides it whatever the distribution: the same bench has its largest
// errors in the same places under each.
func drawn(r *rand.Rand, d bench.Distribution, a float64) float64 {
	u := r.Float64()
	switch d {
	case bench.Triangular:
		if u < 0.5 {
			return a * (math.Sqrt(2*u) - 1)
		}
		return a * (1 - math.Sqrt(2*(1-u)))
	case bench.Normal:
		const least = 0x1p-54 // Float64 may be 0, and then this would be infinite
		return a / 2 * math.Sqrt2 * math.Erfinv(2*math.Max(u, least)-1)
	case bench.Arcsine:
		return a * math.Sin(math.Pi*(u-0.5))
	}
	return a * (2*u - 1)
}

// folded turns x back at ±limit, as often as it takes. What was drawn evenly
// within ±limit stays so when something is added and the sum is folded.
func folded(x, limit float64) float64 {
	if math.Abs(x) <= limit {
		return x
	}
	if limit <= 0 {
		return 0
	}
	y := math.Mod(math.Abs(x)+limit, 4*limit)
	if y > 2*limit {
		y = 4*limit - y
	}
	return math.Copysign(1, x) * (y - limit)
}
