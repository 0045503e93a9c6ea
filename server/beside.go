package main

import (
	"context"
	"sync"
)

// beside runs what goes on beside everything else until the program stops.
func (a *app) beside(ctx context.Context, work ...func(context.Context)) {
	ctx, a.besideStop = context.WithCancel(context.WithoutCancel(ctx))
	a.besideOver = make(chan struct{})
	var all sync.WaitGroup
	for _, w := range work {
		all.Go(func() { w(ctx) })
	}
	go func() {
		defer close(a.besideOver)
		all.Wait()
	}()
}

// tidy completes interrupted deletions, and seals what a program of before has
// left without a seal, beside everything else: the bench is safe by now, and
// nobody waits for it.
func (a *app) tidy(ctx context.Context) {
	ctx, a.tidyStop = context.WithCancel(context.WithoutCancel(ctx))
	a.tidied = make(chan struct{})
	go func() {
		defer close(a.tidied)
		if err := a.store.FinishDeletions(ctx); err != nil && ctx.Err() == nil {
			a.Log.Error("deletions that were interrupted could not be completed", "err", err)
		}
		if err := a.store.SealOld(ctx); err != nil && ctx.Err() == nil {
			a.Log.Error("older runs could not be sealed", "err", err)
		}
	}()
}
