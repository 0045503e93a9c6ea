package store

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/lot"
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
	case *bench.Definition:
		if d.Corrections != nil {
			err = d.Corrections.Check(d)
		}
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

// resultInDoubt says what contradicts itself in a result; "" where all agrees. It
// cannot judge the result anew, since the errors that it was judged with are in
// no file: what passes is within its limits, and what fails is not.
func resultInDoubt(d *dut.Device, rule procedure.Rule, x *procedure.Result) string {
	limited := x.Low != nil || x.High != nil
	inside := derive.Decide(x.Value, 0, x.Low, x.High, 0)
	_, pinKnown := d.Pin(x.Pin)
	switch {
	case x.Pin != 0 && !pinKnown:
		return fmt.Sprintf("is of pin %d, which the device has not", x.Pin)
	case x.U < 0 || x.From > x.To:
		return "has an uncertainty that cannot be"
	case x.Conformity != nil && !(*x.Conformity >= 0 && *x.Conformity <= 1):
		return "is within its limits with a probability that is none"
	}
	switch x.Outcome {
	case derive.NoLimits, derive.Untrusted:
		if limited {
			return "has limits, and says nothing of them"
		}
	case derive.Pass, derive.ConditionalPass:
		switch {
		case inside != derive.Pass:
			return "says that it passed, and is not within limits"
		case math.IsNaN(x.U):
			return "says that it passed, and has no uncertainty"
		case rule.Risk == 0 && derive.Decide(x.Value, x.U, x.Low, x.High, rule.Guard) != x.Outcome:
			return "did not pass as it says by the decision rule of its procedure"
		}
	case derive.Fail, derive.ConditionalFail:
		if !limited || inside == derive.Pass {
			return "says that it failed, and is not beyond a limit"
		}
	}
	return ""
}

// outcomeInDoubt says that the outcome of a run does not follow from its results;
// "" where it does. A run that was cut short may say less, since its end may have
// been written by another program than the one that judged it, but never that it
// passed.
func outcomeInDoubt(r *procedure.Record, said *procedure.Verdict) string {
	follows := said.Of(&r.Procedure, r.Status)
	switch {
	case r.Outcome == follows:
		return ""
	case r.Status == procedure.Interrupted && r.Outcome == said.Of(&r.Procedure, procedure.Done): // its end could not be stored in time
		return ""
	case r.Status != procedure.Done && !lot.Passed(r.Outcome):
		return ""
	}
	return fmt.Sprintf("its outcome is %q, and by its results it is %q", r.Outcome, follows)
}
