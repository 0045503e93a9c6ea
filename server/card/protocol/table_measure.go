package protocol

import "ohmkeep/server/card/scpi"

const (
	readTiming  = "at most the longest aperture times count of the channels read + 50 ms"
	routeTiming = "at most the switching time for opening + the switching time for closing + 20 ms"
)

var measureCommands = group("Output and reading", scpiSource, []entry{
	{
		Command:  scpi.Command{ID: Output, Header: "OUTPut<n>[:STATe]", Form: scpi.Both, Params: onOff},
		meaning:  "Switches the output on at the level that is set, or takes it to zero and off. On: -221 while the limit that belongs to the mode has not been set since *RST, and while the channel has tripped.",
		answer:   "1 on, 0 off",
		errors:   []scpi.Code{scpi.SettingsConflict, scpi.HardwareError},
		examples: []example{{"OUTP1 ON", ""}, {"OUTP2 OFF", ""}, {"OUTP1?", "1"}},
	},
	{
		Command: scpi.Command{ID: Read, Header: "READ[:SCALar]", Form: scpi.Asks, Query: []scpi.Param{{Kind: scpi.ChannelList, Optional: true}}},
		meaning: "Measures the channels together, from the same moment on; (@1) when no list is given. For each channel in the order asked, also where it is asked twice: v, the voltage, V; i, the current, A, positive out of the channel; status, the sum of 1 at the limit of the quantity not forced, 2 over range, 4 output on, 8 an error waits in the queue; level, what is set for the quantity that is forced, V or A. " +
			"Over range, the value is the end of the range or ±9.9E37; what could not be measured is 9.91E37. A channel that is not there: -222. A reading that ABORt or *RST cuts short is not answered.",
		answer:   "<NR3 v>,<NR3 i>,<NR1 status>,<NR3 level> for each channel, all separated by commas",
		errors:   []scpi.Code{scpi.DataOutOfRange, scpi.HardwareError},
		timing:   readTiming,
		examples: []example{{"READ?", "3.3001E+0,1.25E-6,4,3.3E+0"}, {"READ? (@1,2)", "3.3001E+0,1.25E-6,4,3.3E+0,-2.0E-5,0.0E+0,0,0.0E+0"}},
	},
	{
		Command:  scpi.Command{ID: Fetch, Header: "FETCh", Form: scpi.Asks},
		meaning:  "Answers what the last READ? did, without measuring again. Before the first one: -230.",
		answer:   "as of READ?",
		errors:   []scpi.Code{scpi.DataStale},
		examples: []example{{"FETC?", "3.3001E+0,1.25E-6,4,3.3E+0"}},
	},
	{
		Command:  scpi.Command{ID: Abort, Header: "ABORt", Form: scpi.Sets},
		meaning:  "Ends the reading under way. A message that begins with it is acted on at once; the reading that it cuts short is not answered, and what stood after it in the same message is not carried out. Outputs and paths stay.",
		timing:   safeTiming,
		examples: []example{{"ABOR", ""}, {"ABOR;*RST", ""}},
	},
})

var routeCommands = group("Paths", scpiSource, []entry{
	{
		Command:  scpi.Command{ID: PathsClose, Header: "ROUTe:CLOSe", Form: scpi.Both, Params: list, Query: list},
		meaning:  "Closes the paths, written line!contact: the line is a channel's number, or 0 for the return. Those that are closed already stay closed, all others stay as they are. When one of them is on a multiplexer of which another path is closed: -221. A path that is not there: -222. In both cases none is closed. The query says of each path whether it is closed.",
		answer:   "1 closed or 0 open for each path, separated by commas",
		errors:   []scpi.Code{scpi.SettingsConflict, scpi.DataOutOfRange, scpi.HardwareError},
		timing:   routeTiming,
		examples: []example{{"ROUT:CLOS (@1!12,0!7)", ""}, {"ROUT:CLOS? (@1!12,2!3)", "1,0"}},
	},
	{
		Command:  scpi.Command{ID: ClosedPaths, Header: "ROUTe:CLOSe:STATe", Form: scpi.Asks},
		meaning:  "Names all paths that are closed, in ascending order of line and then contact; (@) when there are none.",
		answer:   "<channel_list>",
		examples: []example{{"ROUT:CLOS:STAT?", "(@0!7,1!12)"}, {"ROUT:CLOS:STAT?", "(@)"}},
	},
	{
		Command:  scpi.Command{ID: PathsOpen, Header: "ROUTe:OPEN", Form: scpi.Sets, Params: list},
		meaning:  "Opens the paths; those that are open already stay open. A path that is not there: -222, and none is opened.",
		errors:   []scpi.Code{scpi.DataOutOfRange, scpi.HardwareError},
		timing:   routeTiming,
		examples: []example{{"ROUT:OPEN (@1!12)", ""}},
	},
	{
		Command:  scpi.Command{ID: PathsOpenAll, Header: "ROUTe:OPEN:ALL", Form: scpi.Sets},
		meaning:  "Opens all paths.",
		errors:   []scpi.Code{scpi.HardwareError},
		timing:   routeTiming,
		examples: []example{{"ROUT:OPEN:ALL", ""}},
	},
})
