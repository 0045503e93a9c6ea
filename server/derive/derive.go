// Package derive computes results from readings: fits, statistics, uncertainty
// and decision rules. It is pure: no I/O, no clock, no state but the caller's.
// Every quantity is in SI base units. A value that cannot be computed is NaN or
// an error, never a plausible number.
package derive

import (
	"errors"
	"math"
)

// What makes a computation impossible.
var (
	ErrTooFew    = errors.New("too few points")
	ErrNoSpread  = errors.New("all points have the same x")
	ErrNotFinite = errors.New("a point is not a finite number")
	ErrLength    = errors.New("x and y differ in length")
)

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// checkPoints refuses what no fit can use: unequal lengths, fewer than least
// points, or a value that is not finite.
func checkPoints(x, y []float64, least int) error {
	if len(x) != len(y) {
		return ErrLength
	}
	if len(x) < least {
		return ErrTooFew
	}
	for i := range x {
		if !finite(x[i]) || !finite(y[i]) {
			return ErrNotFinite
		}
	}
	return nil
}
