// Package check is the bench's check of itself. It drives any bench.Link
// through a sequence of steps, each with something known in the socket, and
// says in words which switch, contact or channel is not as the bench's
// definition says, and what to do about it. All values are in SI base units.
package check

import (
	"slices"
	"time"

	"ohmkeep/server/bench"
)

// Step is one part of a bench check. Each has something known in the socket.
type Step string

const (
	Channels Step = "channels" // nothing in the socket: the channels against each other
	Empty    Step = "empty"    // nothing in the socket: switches that conduct or do not, resistance and leakage of every path
	Plug     Step = "plug"     // a shorting plug: the contacts between socket and part
	Numbers  Step = "numbers"  // a numbered plug: which wire leads to which contact
)

// StepInfo is what a step needs, what it tells, and what is not known without
// it, in words.
type StepInfo struct {
	Step      Step
	Title     string
	Socket    string // what has to be in the socket
	Tells     string
	WithoutIt string // the consequence of skipping it
	// Model is the part of the rehearsal bench that stands for what has to be
	// in the socket.
	Model string
}

// Steps lists the steps in the order in which they are done.
func Steps() []StepInfo {
	return []StepInfo{
		{Channels, "Channel against channel", "nothing: take out the part or the plug",
			"whether the channels agree on voltages and currents in every range, and which one does not",
			"a channel that has drifted makes every result wrong that it measures", "empty"},
		{Empty, "Empty socket", "nothing: take out the part or the plug",
			"which switches conduct when they should be open (a floating enable, a stuck switch), which do not close, and the resistance and the leakage of every path",
			"a switch that is stuck, or a multiplexer whose enable floats, spoils results without a word", "empty"},
		{Plug, "Shorting plug", "the shorting plug: a plug that joins all contacts",
			"the resistance between every contact and the plug: which contacts are dirty or do not touch",
			"a poor contact adds its resistance to two-wire results, and is taken for a property of the part", "shorting-plug"},
		{Numbers, "Numbered plug", "the numbered plug: a resistor from each contact n to a common point, n times the same step",
			"whether each wire leads to the contact whose number it has",
			"two contacts that are exchanged make the bench measure another pin than the one that it names", "numbered-plug"},
	}
}

// InfoOf finds what is said of a step.
func InfoOf(s Step) (StepInfo, bool) {
	all := Steps()
	i := slices.IndexFunc(all, func(x StepInfo) bool { return x.Step == s })
	if i < 0 {
		return StepInfo{}, false
	}
	return all[i], true
}

// Kind is what a finding says is wrong.
type Kind string

const (
	EnableFloats     Kind = "enable-floats"      // switches of one multiplexer conduct a little, open or closed
	StuckClosed      Kind = "stuck-closed"       // a switch does not open
	StuckOpen        Kind = "stuck-open"         // a switch does not close
	PathResistance   Kind = "path-resistance"    // a closed path is outside of its stated tolerance
	LeakyContact     Kind = "leaky-contact"      // more leaks at a contact than its open switches are stated to
	PoorContact      Kind = "poor-contact"       // resistance between a contact and what sits on it
	OpenContact      Kind = "open-contact"       // nothing is touched
	WrongContact     Kind = "wrong-contact"      // a wire leads to another contact
	ChannelDisagrees Kind = "channel-disagrees"  // a channel is not as accurate as stated
	OtherSocket      Kind = "not-what-was-asked" // something else is in the socket than the step needs
	NotMeasured      Kind = "not-measured"       // something could not be told, and why
)

// Finding is one thing that is not as the bench's definition says.
type Finding struct {
	Kind Kind `json:"kind" doc:"what is wrong: enable-floats, stuck-closed, stuck-open, path-resistance, leaky-contact, poor-contact, open-contact, wrong-contact, channel-disagrees, not-what-was-asked, not-measured"`
	// Fault is false for what spoils no result: something that was not told.
	Fault    bool              `json:"fault" doc:"whether results are not to be trusted because of it"`
	Said     string            `json:"said" doc:"what seems to be wrong, in words"`
	Do       string            `json:"do,omitempty" doc:"what to do about it"`
	Evidence []string          `json:"evidence,omitempty" doc:"what was measured that says so"`
	Mux      string            `json:"mux,omitempty" doc:"the multiplexer"`
	Paths    []bench.PathID    `json:"paths,omitempty" doc:"numbers of the paths"`
	Contacts []int             `json:"contacts,omitempty" doc:"contacts of the socket"`
	Channels []bench.ChannelID `json:"channels,omitempty" doc:"numbers of the channels"`
}

// PathValue is a closed path as it was measured. From is how: with a channel's
// output resistance in it, where it is a channel's path.
type PathValue struct {
	Path bench.PathID `json:"path"`
	Ohms float64      `json:"ohms" doc:"resistance of the closed path and of its channel's output, in ohms"`
	U    float64      `json:"u" doc:"uncertainty (95 %), in ohms"`
}

// ContactValue is what was measured at a contact: the resistance between it and
// the plug, or the leakage of all its open switches.
type ContactValue struct {
	Contact int     `json:"contact"`
	Value   float64 `json:"value" doc:"in ohms, or siemens"`
	U       float64 `json:"u" doc:"uncertainty (95 %), in the same unit"`
}

// Difference is what one channel differs by from what all channels of the bench
// say together, in one range.
type Difference struct {
	Channel   bench.ChannelID `json:"channel"`
	Unit      string          `json:"unit" doc:"V or A"`
	FullScale float64         `json:"fullScale" doc:"of the range, in V or A"`
	Gain      float64         `json:"gain" doc:"as a part of the value"`
	Offset    float64         `json:"offset" doc:"in V or A"`
	MostGain  float64         `json:"mostGain" doc:"the most that the stated accuracies allow, as a part of the value"`
	MostOff   float64         `json:"mostOffset" doc:"the most that the stated accuracies allow, in V or A"`
}

// StepResult is one step as it was carried out.
type StepResult struct {
	Step     Step           `json:"step" doc:"empty, channels, plug, numbers"`
	Began    time.Time      `json:"began"`
	Ended    time.Time      `json:"ended"`
	Took     float64        `json:"took" doc:"time of the bench that it took, in seconds"`
	Readings int            `json:"readings" doc:"readings taken"`
	Findings []Finding      `json:"findings"`
	Paths    []PathValue    `json:"paths,omitempty" doc:"closed paths as measured"`
	Leakages []ContactValue `json:"leakages,omitempty" doc:"leakage of all open switches at each contact, in siemens"`
	Contacts []ContactValue `json:"contacts,omitempty" doc:"resistance between each contact and the plug, in ohms"`
	Channels []Difference   `json:"channels,omitempty" doc:"the channels against each other"`
}

// OK reports whether the step found nothing that spoils results.
func (r *StepResult) OK() bool {
	return !slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Fault })
}

// Record is a bench check: the newest result of each step that was done.
type Record struct {
	ID       string         `json:"id"`
	Bench    string         `json:"bench" doc:"key of the bench"`
	Identity bench.Identity `json:"identity" doc:"what the bench said of itself"`
	// Built is the sum of the bench's definition (bench.Definition.Built), so that a
	// check speaks of no bench that was built otherwise; "": not known.
	Built string       `json:"built,omitempty"`
	By    string       `json:"by" doc:"who did it"`
	Began time.Time    `json:"began"`
	Ended time.Time    `json:"ended,omitzero" doc:"when it was ended; none while steps may follow"`
	Steps []StepResult `json:"steps" doc:"the steps that were done, in their order"`
}

// Verdict is what a check says of its bench.
type Verdict string

const (
	Good       Verdict = "good"        // all steps were done, and none found a fault
	Partly     Verdict = "partly"      // no fault, but not all was done or could be told
	Faulty     Verdict = "faulty"      // a step found what spoils results
	NothingYet Verdict = "nothing-yet" // no step was done
)

// Verdict is what the check says of its bench.
func (r *Record) Verdict() Verdict {
	switch {
	case slices.ContainsFunc(r.Steps, func(s StepResult) bool { return !s.OK() }):
		return Faulty
	case len(r.Steps) == 0:
		return NothingYet
	case len(r.Skipped()) > 0 || slices.ContainsFunc(r.Steps, func(s StepResult) bool { return len(s.Findings) > 0 }):
		return Partly
	}
	return Good
}

// Skipped lists the steps that were not done.
func (r *Record) Skipped() []StepInfo {
	var out []StepInfo
	for _, info := range Steps() {
		if r.Result(info.Step) == nil {
			out = append(out, info)
		}
	}
	return out
}

// Result is the newest result of a step; nil where it was not done.
func (r *Record) Result(s Step) *StepResult {
	for i := range r.Steps {
		if r.Steps[i].Step == s {
			return &r.Steps[i]
		}
	}
	return nil
}

// Put takes a step's result in, in place of an older one of the same step.
func (r *Record) Put(s StepResult) {
	kept := slices.DeleteFunc(slices.Clone(r.Steps), func(x StepResult) bool { return x.Step == s.Step })
	r.Steps = append(kept, s)
	slices.SortStableFunc(r.Steps, func(a, b StepResult) int { return order(a.Step) - order(b.Step) })
}

func order(s Step) int {
	return slices.IndexFunc(Steps(), func(x StepInfo) bool { return x.Step == s })
}
