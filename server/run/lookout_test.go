package run

import (
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"
)

// A hand-over comes when its time has come, and at most one reading and a
// millisecond later, however long a reading takes and whether that is known
// beforehand or not; and a fast link is not asked to wait for the clock each time.
func TestLookoutHandsOverInTime(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		takes := time.Duration(rapid.IntRange(0, 20_000_000).Draw(rt, "reading, ns"))
		if rapid.Bool().Draw(rt, "fast") {
			takes %= 20_000
		}
		known := rapid.Bool().Draw(rt, "known")
		synctest.Test(t, func(t *testing.T) {
			var l lookout
			l.handed()
			last := time.Now()
			for range 3000 {
				time.Sleep(takes)
				if known {
					l.passed(takes)
				}
				if !l.due() {
					if late := time.Since(last) - handEvery; late > takes+lookWithin {
						t.Fatalf("readings of %v: %v late", takes, late)
					}
					continue
				}
				if early := time.Since(last); early < handEvery {
					t.Fatalf("readings of %v: handed over after %v", takes, early)
				}
				l.handed()
				last = time.Now()
			}
		})
	})
}

// A link that becomes slow at once is noticed at its first reading where the
// wait was known, and after at most lookMost readings where it was not.
func TestLookoutNoticesASlowLink(t *testing.T) {
	for _, tc := range []struct {
		known bool
		most  int
	}{{true, 1}, {false, lookMost}} {
		synctest.Test(t, func(t *testing.T) {
			var l lookout
			l.handed()
			for range 1000 { // in no time at all
				if l.due() {
					t.Fatal("due in no time")
				}
			}
			readings := 0
			for due := false; !due; readings++ {
				time.Sleep(handEvery)
				if tc.known {
					l.passed(handEvery)
				}
				due = l.due()
			}
			if readings > tc.most {
				t.Errorf("known %v: noticed after %d readings", tc.known, readings)
			}
			l.handed()
			time.Sleep(handEvery)
			if tc.known {
				l.passed(handEvery)
			}
			if !l.due() {
				t.Errorf("known %v: the pace was not learned", tc.known)
			}
		})
	}
}
