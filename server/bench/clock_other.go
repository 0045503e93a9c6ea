//go:build !linux

package bench

import (
	"context"
	"time"
)

// Sleep waits for d.
func (FineClock) Sleep(ctx context.Context, d time.Duration) error {
	return RealClock{}.Sleep(ctx, d)
}
