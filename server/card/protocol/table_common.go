package protocol

import "ohmkeep/server/card/scpi"

const (
	settingTiming = "at most 20 ms from the LF to carried out or answered"
	safeTiming    = "at most 50 ms, at any moment, also while a reading is under way"

	commonSource = "IEEE Std 488.2-1992, from memory"
	scpiSource   = "SCPI-1999 volume 2, from memory"
)

var commonCommands = group("Common commands", commonSource, []entry{
	{
		Command: scpi.Command{ID: ClearStatus, Header: "*CLS", Form: scpi.Sets},
		meaning: "Clears the standard event status register, the event registers and the error queue. Enables are kept.",
	},
	{
		Command:  scpi.Command{ID: EventEnable, Header: "*ESE", Form: scpi.Both, Params: byteOf},
		meaning:  "Sets which bits of the standard event status register show in the status byte. *RST and *CLS leave it alone. It changes nothing else, so a host also uses it to find its place in a conversation.",
		answer:   "NR1, 0 to 255",
		examples: []example{{"*ESE 60", ""}, {"*ESE 97;*ESE?;*ESE 41;*ESE?;*ESE 0", "97;41"}},
	},
	{
		Command:  scpi.Command{ID: EventStatus, Header: "*ESR", Form: scpi.Asks},
		meaning:  "Reads the standard event status register and clears it. A host asks it after every message that sets something, and often enough to keep the watchdog quiet.",
		answer:   "NR1, 0 to 255: 0 carried out, 4 query error, 8 device error, 16 execution error, 32 command error, 128 the card has started anew; sums of them",
		examples: []example{{"*ESR?", "0"}},
	},
	{
		Command:  scpi.Command{ID: Identify, Header: "*IDN", Form: scpi.Asks},
		meaning:  "Says who the card is: maker, model, serial number and version of the firmware, separated by commas, at most 72 characters, none of them a comma or a semicolon within a field. Serial number and version are 0 where there is none. Cards of a bench have different serial numbers.",
		answer:   "<maker>,<model>,<serial>,<version>",
		examples: []example{{"*IDN?", "Ohmkeep,Rehearsal card,R-1,1"}},
	},
	{
		Command:  scpi.Command{ID: Complete, Header: "*OPC", Form: scpi.Both},
		meaning:  "Sets bit 0 of the standard event status register when all that was asked before is done; the query answers then. Units are carried out one after the other, so that is at once.",
		answer:   "1",
		examples: []example{{"*OPC", ""}, {"*OPC?", "1"}},
	},
	{
		Command:  scpi.Command{ID: Options, Header: "*OPT", Form: scpi.Asks},
		meaning:  "Says what the card has: how many channels, after how many seconds of silence it makes itself safe (0: never), and how many bytes a message may have with its LF.",
		answer:   "CHANNELS <NR1>,WATCHDOG <s>,MESSAGE <bytes>",
		examples: []example{{"*OPT?", "CHANNELS 2,WATCHDOG 2,MESSAGE 1024"}},
	},
	{
		Command: scpi.Command{ID: Reset, Header: "*RST", Form: scpi.Sets},
		meaning: "Takes all outputs to zero and off, then opens all paths, then sets everything as the rule on *RST says, and clears trips. The error queue, the event registers and the enables are kept.",
		errors:  []scpi.Code{scpi.HardwareError},
		timing:  safeTiming,
	},
	{
		Command:  scpi.Command{ID: RequestEnable, Header: "*SRE", Form: scpi.Both, Params: byteOf},
		meaning:  "Sets which bits of the status byte set its bit 6. Bit 6 itself is ignored and answered as 0.",
		answer:   "NR1, 0 to 255",
		examples: []example{{"*SRE 32", ""}, {"*SRE?", "32"}},
	},
	{
		Command:  scpi.Command{ID: StatusByte, Header: "*STB", Form: scpi.Asks},
		meaning:  "Reads the status byte and clears nothing.",
		answer:   "NR1, 0 to 255: see the rule on status",
		examples: []example{{"*STB?", "4"}},
	},
	{
		Command:  scpi.Command{ID: SelfTest, Header: "*TST", Form: scpi.Asks},
		meaning:  "Tests what can be tested without touching outputs and paths.",
		answer:   "NR1: 0 passed, anything else failed",
		errors:   []scpi.Code{scpi.SelfTestFailed},
		examples: []example{{"*TST?", "0"}},
	},
	{
		Command: scpi.Command{ID: Wait, Header: "*WAI", Form: scpi.Sets},
		meaning: "Waits until all that was asked before is done. Units are carried out one after the other, so it does nothing.",
	},
})

// group gives commands what they have in common, and an example to those that
// need no parameters.
func group(name, source string, entries []entry) []entry {
	for i := range entries {
		e := &entries[i]
		e.group = name
		if e.source == "" {
			e.source = source
		}
		if e.timing == "" {
			e.timing = settingTiming
		}
		if len(e.examples) == 0 {
			e.examples = []example{{message: e.Header}}
		}
	}
	return entries
}
