package standing

import (
	"fmt"
	"strings"
	"time"

	"ohmkeep/server/check"
)

// Of says what stands behind a run. Fresh is how long a step of a check speaks for
// the runs after it; 0: Fresh. An error is that of Run.Use.
func (t *Timeline) Of(run *Run, fresh time.Duration) (Standing, error) {
	if run.Apart != "" {
		return Standing{Badge: Untold, Said: run.Apart}, nil
	}
	if fresh <= 0 {
		fresh = Fresh
	}
	b := t.of(run.Serial)
	w := weighing{run: run, fresh: fresh}
	first, next := b.checksBeside(run.Started)
	w.out.Before, w.out.After = look(first), look(next)
	for _, info := range check.Steps() {
		before, after := b.beside(info.Step, run.Started)
		w.before(info, before)
		w.after(after)
	}
	if err := w.touched(); err != nil {
		return Standing{}, err
	}
	w.damaged(first, next)
	w.say()
	return w.out, nil
}

func look(c *Check) *Look {
	switch {
	case c == nil:
		return nil
	case c.Damaged:
		return &Look{Check: c.ID, At: c.At}
	}
	return &Look{c.ID, c.At, c.Verdict}
}

// weighing is the standing of one run in the making.
type weighing struct {
	run     *Run
	fresh   time.Duration
	out     Standing
	faults  []*check.Finding // beside out.Faults
	due     []string         // why a check is due, in sentences
	missing []string         // titles of steps that were never done before the run
	untold  []string         // what the steps before could not tell
	oldest  time.Duration    // age of the oldest step before the run
	changed bool             // a step before the run was done on a bench that was built otherwise
	some    bool             // a step was done before the run
	follows bool             // a step was done after it
}

// before takes in the last result of a step before the run.
func (w *weighing) before(info check.StepInfo, r *result) {
	if r == nil {
		w.missing = append(w.missing, strings.ToLower(info.Title[:1])+info.Title[1:])
		return
	}
	w.some = true
	w.oldest = max(w.oldest, w.run.Started.Sub(r.step.Ended))
	w.changed = w.changed || r.check.Built != "" && w.run.Built != "" && r.check.Built != w.run.Built
	w.untold = append(w.untold, r.step.Untold...)
	w.found(r, false)
}

func (w *weighing) after(r *result) {
	if r != nil {
		w.follows = true
		w.found(r, true)
	}
}

func (w *weighing) found(r *result, after bool) {
	for i := range r.step.Faults {
		f := &r.step.Faults[i]
		w.faults = append(w.faults, f)
		w.out.Faults = append(w.out.Faults, Found{Check: r.check.ID, Step: r.step.Step, Kind: f.Kind, After: after, Said: f.Said, Finding: *f})
	}
}

// touched tells of each fault whether the run used what it is about.
func (w *weighing) touched() error {
	if len(w.faults) == 0 {
		return nil
	}
	use, err := w.run.Use()
	if err != nil {
		return err
	}
	for i, f := range w.faults {
		w.out.Faults[i].Used, w.out.Faults[i].Touches = touches(f, w.faults, use)
	}
	return nil
}

// damaged takes in that a check beside the run is damaged: what it found is not
// known.
func (w *weighing) damaged(before, after *Check) {
	if before != nil && before.Damaged {
		w.due = append(w.due, "What is stored of the last check before this run is damaged.")
	}
	if after != nil && after.Damaged {
		w.due = append(w.due, "What is stored of the first check after this run is damaged.")
	}
}

// say decides the badge and words it.
func (w *weighing) say() {
	var said []string
	for i := range w.out.Faults {
		if f := &w.out.Faults[i]; f.Touches {
			said = append(said, f.words())
		}
	}
	doubtful := len(said) > 0
	if n := len(said); n > 3 {
		said = append(said[:3], fmt.Sprintf("And %d more findings touch it.", n-3))
	}
	w.whyDue()
	switch {
	case doubtful:
		w.out.Badge = Doubtful
	case len(w.due) > 0:
		w.out.Badge, said = Due, w.due
	default:
		w.out.Badge = Checked
		said = append(said, "The whole check of the bench before this run found nothing that touches it; its oldest step was "+ageWords(w.oldest)+" old.")
	}
	if w.out.Badge == Checked || w.out.Badge == Due && w.follows {
		said = append(said, w.afterWords())
	}
	w.out.Said = strings.Join(append(said, w.elsewhere()...), " ")
}

// whyDue gathers why a check is due.
func (w *weighing) whyDue() {
	switch {
	case !w.some:
		w.due = append(w.due, "No check of this bench stands before this run.")
		return
	case len(w.missing) > 0:
		w.due = append(w.due, "Not done before this run: "+strings.Join(w.missing, ", ")+".")
	}
	if w.changed {
		w.due = append(w.due, "The bench’s definition has changed between the last check and this run: its contacts, channels or paths.")
	}
	if w.oldest > w.fresh {
		old := ageWords(w.oldest)
		if old == ageWords(w.fresh) {
			old = "more than " + old
		}
		w.due = append(w.due, fmt.Sprintf("The check before this run was %s old, and one counts for %s.", old, ageWords(w.fresh)))
	}
	if len(w.untold) > 0 {
		w.due = append(w.due, "The check before this run could not tell everything: "+sentence(w.untold[0]))
	}
}

// afterWords is what was checked after the run.
func (w *weighing) afterWords() string {
	if !w.follows {
		return "No check has come after it yet."
	}
	return "What was checked after it found nothing that touches it."
}

// elsewhere words faults that touch nothing that the run used.
func (w *weighing) elsewhere() (out []string) {
	n := 0
	for _, f := range w.out.Faults {
		if f.Touches {
			continue
		}
		if n++; n == 1 {
			out = append(out, "Found where this run used nothing: "+sentence(f.Said))
		}
	}
	if n > 1 {
		out = append(out, fmt.Sprintf("And %d more of that kind.", n-1))
	}
	return out
}

func (f *Found) words() string {
	when := "The check before this run found: "
	if f.After {
		when = "The check after this run found: "
	}
	words := when + sentence(f.Said)
	if f.Used != "" {
		words += " This run used " + f.Used + "."
	}
	return words
}

// sentence ends a text with a full stop.
func sentence(s string) string {
	if strings.HasSuffix(s, ".") {
		return s
	}
	return s + "."
}

// ageWords is a duration in words, in the unit that fits.
func ageWords(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return "less than 2 minutes"
	case d < 2*time.Hour:
		return fmt.Sprintf("%d minutes", d/time.Minute)
	case d <= 48*time.Hour:
		return fmt.Sprintf("%d hours", d/time.Hour)
	default:
		return fmt.Sprintf("%d days", d/(24*time.Hour))
	}
}
