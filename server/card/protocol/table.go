package protocol

import (
	"slices"

	"ohmkeep/server/card/scpi"
)

// The commands, by name. A command and its query share one.
const (
	ClearStatus scpi.ID = iota + 1
	EventEnable
	EventStatus
	Identify
	Complete
	Options
	Reset
	RequestEnable
	StatusByte
	SelfTest
	Wait

	ErrorNext
	ErrorCount
	ScpiVersion
	OperationEvent
	OperationCondition
	OperationEnable
	QuestionableEvent
	QuestionableCondition
	QuestionableEnable
	StatusPreset

	Mode
	VoltageLevel
	CurrentLevel
	VoltageRange
	CurrentRange
	SenseTerminals
	Tripped
	TripClear

	SenseCurrentRange
	SenseVoltageRange
	CurrentLimit
	VoltageLimit
	AtCurrentLimit
	AtVoltageLimit
	CurrentAperture // one and the same setting as VoltageAperture
	VoltageAperture
	AverageCount
	AverageState

	Output
	Read
	Fetch
	Abort

	PathsClose
	ClosedPaths
	PathsOpen
	PathsOpenAll
)

// Places of words in their parameters.
const (
	ForceVoltage = 0 // of Mode
	ForceCurrent = 1
	Internal     = 0 // of SenseTerminals: at the force terminals
	External     = 1
	Minimum      = 0 // of VoltageLevel and CurrentLevel
	Maximum      = 1
	Default      = 2
)

// entry is one command of the table.
type entry struct {
	scpi.Command
	group   string
	meaning string
	answer  string // of its query form
	timing  string
	// errors are what carrying it out may come to; those of its header and
	// parameters follow from the Command.
	errors   []scpi.Code
	examples []example
	source   string
	coupled  bool
}

// example is a message and, where it asks, what a card could answer.
type example struct{ message, answer string }

// table is all commands, in the order in which they are shown and in which a
// header that could mean two of them is looked up.
var table = slices.Concat(commonCommands, systemCommands, sourceCommands, senseCommands, measureCommands, routeCommands)

// Commands returns the commands for a tree.
func Commands() []scpi.Command {
	out := make([]scpi.Command, len(table))
	for i, e := range table {
		out[i] = e.Command
	}
	return out
}

// Tree is the tree of the headers of a card with so many channels.
func Tree(channels int) (*scpi.Tree, error) {
	t, err := scpi.NewTree(Commands())
	if err != nil {
		return nil, err
	}
	return t.WithSuffixes(channels), nil
}

// Coupled says whether a command is a setting that takes effect together with
// the others of its message.
func Coupled(id scpi.ID) bool {
	i := slices.IndexFunc(table, func(e entry) bool { return e.ID == id })
	return i >= 0 && table[i].coupled
}

// Parameters that several commands have.
var (
	onOff  = []scpi.Param{{Kind: scpi.Boolean}}
	byteOf = []scpi.Param{{Kind: scpi.Numeric, Max: 255, Whole: true}}
	wordOf = []scpi.Param{{Kind: scpi.Numeric, Max: 32767, Whole: true}}
	list   = []scpi.Param{{Kind: scpi.ChannelList}}
)
