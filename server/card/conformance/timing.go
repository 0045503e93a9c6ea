package conformance

import (
	"fmt"
	"time"
)

const (
	enough    = 3  // tries of a time where all is well
	mostTries = 15 // tries before a time counts as too long: a loaded host is slow now and then
)

// timed asks several times and holds the shortest time against what it may
// take: a host that is busy makes some longer, none shorter. Every single one
// must take at least least.
func (t *trial) timed(message string, least, most time.Duration) (string, error) {
	best, n := time.Duration(0), 0
	var line time.Duration
	for n < enough || best > most+line && n < mostTries {
		start := time.Now()
		answer, err := t.askFor(message, most)
		took := time.Since(start)
		if err != nil {
			return "", err
		}
		line = t.lineTime(len(message) + len(answer) + 2)
		if took < least {
			return "", wrongf("answered after %v already", took)
		}
		if n == 0 || took < best {
			best = took
		}
		n++
	}
	t.took = best
	came := fmt.Sprintf("%v, the least of %d, from sending to the end of the answer", best.Round(10*time.Microsecond), n)
	if line > 0 {
		came += fmt.Sprintf("; %v of it is the line's", line.Round(10*time.Microsecond))
	}
	if best > most+line {
		return "", wrong(came)
	}
	return came, nil
}
