// Package turn has reports take turns. A report is an answer that reads as
// much as there is: without a bound, a few of them take every processor and
// connection, and a run at work is late. Here a report computes only while it
// holds the turn; it gives it away between two blocks of its work and while it
// writes to a client, who may be slow.
package turn

import (
	"cmp"
	"context"
	"runtime"
	"slices"
	"sync"
	"time"

	"ohmkeep/server/problem"
)

const (
	// slice is the time that a report computes before it lets others have the
	// turn: changing it more often costs more than it gives.
	slice = 20 * time.Millisecond
	// longAfter is the time after which a report that has computed so much is a
	// long one. Long reports are made in the order in which they were asked for:
	// by turns, none of them would be there before all of them are, and each
	// would hold on to what it has gathered meanwhile. Short ones and long ones
	// have every other slice where both wait.
	longAfter = 5 * slice
)

// ErrStopping refuses a report, or ends it, because the server stops.
var ErrStopping error = problem.New(problem.Unavailable, "The server is stopping.")

// Limits of a queue. A zero is replaced by what Defaults says.
type Limits struct {
	Computing int // reports that compute at the same time
	Open      int // reports that have been taken in and have not ended
	Each      int // of these, how many one asker may have
	// Memory is why there is too little memory for a report to begin or, where it is
	// going on, to go on; nil where there is enough. Where it is nil itself, nobody
	// looks.
	Memory func(goingOn bool) error
}

// Defaults returns the limits of the program: half of the processors compute
// for reports, and the run at work always finds the others.
func Defaults() Limits {
	return Limits{Computing: max(1, runtime.GOMAXPROCS(0)/2), Open: 64, Each: 32}
}

// Queue is the queue of a server's reports. Make one with NewQueue. Safe for
// concurrent use.
type Queue struct {
	limits Limits

	mu        sync.Mutex
	ending    chan struct{} // closed by Close
	computing int
	open      int
	askers    map[string]int // how many reports each has open
	opened    uint64         // counts the reports that were admitted
	waiting   []*Report      // short ones for the turn, who came first at the front
	long      []*Report      // long ones for the turn, who was admitted first at the front
	longLast  bool           // the turn was last handed to a long one
}

// NewQueue makes a queue.
func NewQueue(l Limits) *Queue {
	d := Defaults()
	for _, v := range []struct{ of, instead *int }{{&l.Computing, &d.Computing}, {&l.Open, &d.Open}, {&l.Each, &d.Each}} {
		if *v.of <= 0 {
			*v.of = *v.instead
		}
	}
	return &Queue{limits: l, askers: map[string]int{}, ending: make(chan struct{})}
}

// Open admits a report of an asker, without the turn. Where there are too many
// it fails with problem.Unavailable. Close must be called.
func (q *Queue) Open(asker string) (*Report, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	select {
	case <-q.ending:
		return nil, ErrStopping
	default:
	}
	if err := q.memory(false); err != nil {
		return nil, err
	}
	if q.open >= q.limits.Open {
		return nil, problem.New(problem.Unavailable, "Many reports are being made just now. Try again in a little while.")
	}
	if q.askers[asker] >= q.limits.Each {
		return nil, problem.New(problem.Unavailable, "You have many reports open already. Let some of them end first.")
	}
	q.open++
	q.opened++
	q.askers[asker]++
	return &Report{queue: q, asker: asker, number: q.opened, granted: make(chan struct{}, 1)}, nil
}

// memory is why there is too little memory for a report.
func (q *Queue) memory(goingOn bool) error {
	if q.limits.Memory == nil {
		return nil
	}
	return q.limits.Memory(goingOn)
}

// Until returns a context that also ends, for ErrStopping, when the queue is
// closed: reports are not waited for when the server stops. Cancel must be
// called.
func (q *Queue) Until(ctx context.Context) (_ context.Context, cancel context.CancelFunc) {
	ctx, end := context.WithCancelCause(ctx)
	go func() {
		select {
		case <-q.ending:
			end(ErrStopping)
		case <-ctx.Done():
		}
	}()
	return ctx, func() { end(nil) }
}

// Opened returns how many reports have been admitted and have not ended.
func (q *Queue) Opened() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.open
}

// Close refuses further reports and ends those that are open. It may be called
// more than once.
func (q *Queue) Close() {
	q.mu.Lock()
	defer q.mu.Unlock()
	select {
	case <-q.ending:
	default:
		close(q.ending)
	}
}

// Report is one report that has been admitted. Its methods are for the one
// goroutine that makes the report.
type Report struct {
	queue   *Queue
	asker   string
	number  uint64        // in the order of admission
	used    time.Duration // of the turn, before the one that it holds
	held    bool
	since   time.Time     // when it got the turn that it holds
	granted chan struct{} // the turn, handed over
}

// Take waits for the turn: of the short reports who came first has it first, of
// the long ones who was admitted first. It fails where the context ends before.
func (r *Report) Take(ctx context.Context) error {
	if r.held {
		return nil
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := r.queue.memory(true); err != nil {
		return err
	}
	if r.queue.enter(r) {
		r.hold()
		return nil
	}
	select {
	case <-r.granted:
		r.hold()
		return nil
	case <-ctx.Done():
	}
	if !r.queue.leave(r) { // it was handed over meanwhile
		<-r.granted
		r.queue.next()
	}
	return ctx.Err()
}

func (r *Report) hold() { r.held, r.since = true, time.Now() }

// Give gives the turn to whoever is the next to have it.
func (r *Report) Give() {
	if r.held {
		r.held = false
		r.used += time.Since(r.since)
		r.queue.next()
	}
}

// long reports whether it is a long one by now.
func (r *Report) long() bool {
	used := r.used
	if r.held {
		used += time.Since(r.since)
	}
	return used >= longAfter
}

// Pass lets those who wait go first, if the report has had the turn for a
// while; without any it goes on at once. It fails where the context has ended, and
// where there is too little memory to go on.
func (r *Report) Pass(ctx context.Context) error {
	if !r.held || time.Since(r.since) < slice {
		return ctx.Err()
	}
	if err := r.queue.memory(true); err != nil {
		return err
	}
	if !r.queue.goesFirst(r) {
		return ctx.Err()
	}
	r.Give()
	return r.Take(ctx)
}

// Close ends the report.
func (r *Report) Close() {
	r.Give()
	q := r.queue
	q.mu.Lock()
	defer q.mu.Unlock()
	q.open--
	if q.askers[r.asker]--; q.askers[r.asker] == 0 {
		delete(q.askers, r.asker)
	}
}

// enter takes the turn if it is free, else joins those who wait.
func (q *Queue) enter(r *Report) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.computing < q.limits.Computing && len(q.waiting)+len(q.long) == 0 {
		q.computing++
		return true
	}
	if !r.long() {
		q.waiting = append(q.waiting, r)
		return false
	}
	i, _ := slices.BinarySearchFunc(q.long, r, func(a, b *Report) int { return cmp.Compare(a.number, b.number) })
	q.long = slices.Insert(q.long, i, r)
	return false
}

// leave gives up waiting, and reports whether it still waited.
func (q *Queue) leave(r *Report) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, line := range []*[]*Report{&q.waiting, &q.long} {
		if i := slices.Index(*line, r); i >= 0 {
			*line = slices.Delete(*line, i, i+1)
			return true
		}
	}
	return false
}

// next hands a turn that has become free to the first of those who wait: of
// short and long ones by turns.
func (q *Queue) next() {
	q.mu.Lock()
	defer q.mu.Unlock()
	line := &q.waiting
	if len(q.waiting) == 0 || len(q.long) > 0 && !q.longLast {
		line = &q.long
	}
	if len(*line) == 0 {
		q.computing--
		return
	}
	q.longLast = line == &q.long
	first := (*line)[0]
	*line = slices.Delete(*line, 0, 1)
	first.granted <- struct{}{}
}

// goesFirst reports whether somebody waits who has the turn before a report that
// has had it for a slice.
func (q *Queue) goesFirst(r *Report) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.waiting) > 0 || len(q.long) > 0 && (!r.long() || q.long[0].number < r.number)
}
