package rehearsal

import (
	"hash/fnv"
	"math/rand/v2"
)

// stream returns the random source for one purpose. A purpose's numbers do not
// depend on what else was drawn, so that a bench stays itself when a fault is
// seated or a path is added.
func stream(seed uint64, purpose string) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(purpose))
	return rand.New(rand.NewPCG(seed, h.Sum64()))
}

// symmetric is uniform within ±limit.
func symmetric(r *rand.Rand, limit float64) float64 { return limit * (2*r.Float64() - 1) }
