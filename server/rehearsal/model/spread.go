package model

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
)

// spread draws a unit's parameters, always in the same order.
type spread struct{ rng *rand.Rand }

// newSpread separates the models from one another: the same seed is an
// unrelated unit of another model.
func newSpread(seed uint64, key string) *spread {
	h := fnv.New64a()
	h.Write([]byte(key))
	return &spread{rand.New(rand.NewPCG(seed, h.Sum64()))}
}

// normal is a value around mean with relative standard deviation sd, cut at
// three deviations as a maker's own test would.
func (s *spread) normal(mean, sd float64) float64 { return mean * (1 + sd*s.unit()) }

// around is a value around mean with an absolute standard deviation.
func (s *spread) around(mean, sd float64) float64 { return mean + sd*s.unit() }

// decades is a value whose logarithm spreads around that of median.
func (s *spread) decades(median, sd float64) float64 {
	return median * math.Pow(10, sd*s.unit())
}

func (s *spread) unit() float64 {
	for {
		if x := s.rng.NormFloat64(); math.Abs(x) <= 3 {
			return x
		}
	}
}
