package run

import "time"

const (
	// lookMost is the most questions that a lookout answers without a look at the
	// clock.
	lookMost = 128
	// lookWithin is the time within which it means to look again: that much later
	// than handEvery at most a hand-over comes, where the link keeps its pace.
	lookWithin = time.Millisecond
)

// lookout tells when the measuring goroutine has to hand over, by the wall
// clock. A look at the clock takes longer than a reading of a fast link, so it
// looks only now and then: as often as the pace since the last look asks for,
// and always after time that is known to have passed.
type lookout struct {
	handedAt, lookedAt time.Time
	asked, until       int // questions since the last look, and how many until the next
	known              time.Duration
}

// handed notes that a hand-over has been made.
func (l *lookout) handed() {
	l.handedAt = time.Now()
	l.lookedAt, l.asked, l.known = l.handedAt, 0, 0
}

// passed notes time that will have passed by the next question.
func (l *lookout) passed(d time.Duration) { l.known += d }

// due reports whether it is time to hand over.
func (l *lookout) due() bool {
	if l.asked++; l.asked < l.until && l.known < lookWithin {
		return false
	}
	now := time.Now()
	each := now.Sub(l.lookedAt) / time.Duration(l.asked)
	l.until = int(min(lookWithin/max(each, 1), lookMost))
	l.lookedAt, l.asked, l.known = now, 0, 0
	return now.Sub(l.handedAt) >= handEvery
}
