package liverun

import (
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
)

var nan = math.NaN()

// Snapshot is the state of a run at one moment. It does not change any more,
// and belongs to whoever took it, but for the results, which must not be
// written to.
type Snapshot struct {
	Record   procedure.Record
	Progress run.Progress
	Pins     []Pin // in the device's order
	Results  [][]procedure.Result
	// Selected is the measurement whose picture and readings are here; with
	// Follow it is the one at work.
	Selected int
	Follow   bool
	Picture  *Picture        // nil where it is lost, or only the store has it: see Runs.Picture
	Lost     error           // why it has none, though it has readings
	Latest   []bench.Reading // newest first, of the selected measurement
	// Seq is the number of the live stream that this is at least as new as.
	Seq uint64
}

// NoPicture in a measurement's place asks for a snapshot without a picture.
const NoPicture = math.MaxInt

// snapshot returns the state of the run as of now. m < 0 follows the
// measurement at work.
func (b *liveRun) snapshot(m int) *Snapshot {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.snapshotLocked(m)
}

// snapshotLocked copies what observe writes to, and nothing else: pins, the
// heads of the results, and the points of one picture.
func (b *liveRun) snapshotLocked(m int) *Snapshot {
	s := &Snapshot{
		Record: b.rec, Progress: b.at, Pins: slices.Clone(b.pins), Results: slices.Clone(b.results),
		Selected: m, Follow: m < 0, Seq: b.topic.Seq(), // before what is not drawn yet, so nothing is missed
	}
	for i := range b.lent {
		b.lent[i] = true
	}
	if m < 0 {
		s.Selected = b.at.Measurement
	}
	if m = s.Selected; m >= 0 && m < len(b.results) {
		if s.Lost = b.lost[m]; s.Lost == nil && !b.gone[m] {
			s.Picture = b.picture(m).Clone()
		}
	}
	s.Latest = slices.Clone(b.latest[m])
	slices.Reverse(s.Latest)
	return s
}

// takeChanges returns a snapshot with the parts that have changed since the
// last one was taken, and the stream of those with a share link; nil where
// nothing has changed.
func (b *liveRun) takeChanges() (s *Snapshot, changed []Part, sharing bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	sharing = b.shared != nil
	if len(b.dirty) == 0 {
		return nil, nil, sharing
	}
	for p := range b.dirty {
		changed = append(changed, p)
	}
	clear(b.dirty)
	return b.snapshotLocked(-1), changed, sharing
}
