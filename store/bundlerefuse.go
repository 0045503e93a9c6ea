package store

import (
	"errors"
	"slices"
	"time"

	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// refusal says why a run cannot be used here; "" where it can.
func (l *looker) refusal(h *runHead) string {
	r := &h.Run
	var ps dut.Problems
	dut.Text{Most: 64}.Add(&ps, "serial number", r.Unit.Serial)
	dut.Text{Most: 64}.Add(&ps, "lot", r.Unit.Lot)
	dut.Text{Most: 1000}.Add(&ps, "operator", r.Operator)
	dut.Text{Most: 4000, Lines: true}.Add(&ps, "note", r.Note)
	dut.Text{Most: 4000, Lines: true}.Add(&ps, "reason", r.Reason)
	ended := []procedure.Status{procedure.Done, procedure.Stopped, procedure.Interrupted, procedure.Failed}
	switch {
	case !slices.Contains(ended, r.Status):
		ps.Add("status", "is %q", clipped(string(r.Status)))
	case !knownOutcome(r.Outcome):
		ps.Add("outcome", "is %q", clipped(string(r.Outcome)))
	case r.Readings < 0:
		ps.Add("readings", "are %d", r.Readings)
	}
	for _, at := range []struct {
		name string
		time time.Time
	}{{"start", r.Started}, {"end", r.Ended}} {
		if why := l.store.unbelievable(at.time); why != "" {
			ps.Add(at.name, "%s", why)
		}
	}
	if r.Ended.Before(r.Started) {
		ps.Add("end", "is before its start")
	}
	if why := rehearsalInDoubt(h); why != "" {
		ps.Add("rehearsal", "%s", why)
	}
	if h.Seated != nil {
		if err := textsOf(h.Seated); err != nil {
			ps.Add("what was seated", "cannot be used: %v", err)
		}
	}
	for _, part := range runDocuments {
		if why := unusable(part.of(r)); why != "" {
			ps.Add(part.column, "%s", why)
		}
	}
	if err := ps.Err(); err != nil {
		return err.Error()
	}
	return ""
}

// unusable says why a document of a run cannot be shown; "" where it can.
func unusable(document any) string {
	var err error
	switch d := document.(type) {
	case *dut.Device:
		if !dut.KeyPattern.MatchString(d.Key) || len(d.Pins) > dut.MaxPins {
			return "is no device that this program knows"
		}
	case *procedure.Procedure:
		err = usableProcedure(d)
	}
	text, jsonErr := asJSON{document}.Value()
	if err = errors.Join(err, jsonErr); err == nil {
		body, _ := text.(string)
		err = textsOf([]byte(body))
	}
	if err != nil {
		return err.Error()
	}
	return ""
}

// knownOutcome reports whether a run or a result may say so.
func knownOutcome(o derive.Outcome) bool {
	return slices.Contains([]derive.Outcome{derive.NoLimits, derive.Untrusted, derive.Pass, derive.ConditionalPass, derive.ConditionalFail, derive.Fail, derive.Invalid}, o)
}

// rehearsalInDoubt says what of a run contradicts that it is, or is not, a
// rehearsal; "" where all agrees. A run that was rehearsed must never read as one
// of a real part.
func rehearsalInDoubt(h *runHead) string {
	r := &h.Run
	seated := h.Seated != nil && string(h.Seated) != "null"
	switch {
	case r.Rehearsal != r.Identity.Rehearsal:
		return "the run and the bench that it names itself disagree about whether it was one"
	case !r.Rehearsal && r.Bench.Key == ofProgram:
		return "the run says that it was none, and was made on the rehearsal bench"
	case !r.Rehearsal && (seated || r.Seated != nil):
		return "the run says that it was none, and what was seated is a model"
	}
	return ""
}

// clockAhead is how far the clock of another server may be ahead of this one's.
const clockAhead = 24 * time.Hour

// unbelievable says why nothing can have been at a time; "" where it can. Times
// are stored in nanoseconds since 1970, which reach from 1677 to 2262: any other
// would read as one of another century.
func (s *Store) unbelievable(t time.Time) string {
	switch {
	case !timeOf(t.UnixNano()).Equal(t):
		return "is at a time that cannot be stored"
	case t.After(s.now().Add(clockAhead)):
		return "is in the future"
	}
	return ""
}
