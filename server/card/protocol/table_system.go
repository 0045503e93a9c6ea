package protocol

import "ohmkeep/server/card/scpi"

var systemCommands = group("System and status", scpiSource, []entry{
	{
		Command:  scpi.Command{ID: ErrorNext, Header: "SYSTem:ERRor[:NEXT]", Form: scpi.Asks},
		meaning:  "Takes the oldest entry off the error queue. A device may add to the standard's text after a semicolon; 255 characters at most.",
		answer:   `<NR1>,"<text>[;<what the device adds>]"; 0,"No error" when the queue is empty`,
		examples: []example{{"SYST:ERR?", `-113,"Undefined header"`}, {"SYSTem:ERRor:NEXT?", `0,"No error"`}},
	},
	{
		Command:  scpi.Command{ID: ErrorCount, Header: "SYSTem:ERRor:COUNt", Form: scpi.Asks},
		meaning:  "Says how many entries the error queue has.",
		answer:   "NR1",
		examples: []example{{"SYST:ERR:COUN?", "0"}},
	},
	{
		Command:  scpi.Command{ID: ScpiVersion, Header: "SYSTem:VERSion", Form: scpi.Asks},
		meaning:  "Says which edition of SCPI the card keeps to.",
		answer:   Version,
		examples: []example{{"SYST:VERS?", Version}},
	},
	{
		Command:  scpi.Command{ID: OperationEvent, Header: "STATus:OPERation[:EVENt]", Form: scpi.Asks},
		meaning:  "Reads what has come in the operation status since it was last read, and clears it.",
		answer:   "NR1: 2 settling, 16 measuring; sums of them",
		examples: []example{{"STAT:OPER?", "16"}},
	},
	{
		Command:  scpi.Command{ID: OperationCondition, Header: "STATus:OPERation:CONDition", Form: scpi.Asks},
		meaning:  "Reads the operation status as it is now, and clears nothing.",
		answer:   "NR1, bits as of the event register",
		examples: []example{{"STAT:OPER:COND?", "0"}},
	},
	{
		Command:  scpi.Command{ID: OperationEnable, Header: "STATus:OPERation:ENABle", Form: scpi.Both, Params: wordOf},
		meaning:  "Sets which operation events show in bit 7 of the status byte.",
		answer:   "NR1, 0 to 32767",
		examples: []example{{"STAT:OPER:ENAB 16", ""}, {"STAT:OPER:ENAB?", "16"}},
	},
	{
		Command:  scpi.Command{ID: QuestionableEvent, Header: "STATus:QUEStionable[:EVENt]", Form: scpi.Asks},
		meaning:  "Reads what has come in the questionable status since it was last read, and clears it: a channel was at the limit of the quantity that it does not force.",
		answer:   "NR1: 1 a voltage was at its limit, 2 a current was at its limit; sums of them",
		examples: []example{{"STAT:QUES?", "2"}},
	},
	{
		Command:  scpi.Command{ID: QuestionableCondition, Header: "STATus:QUEStionable:CONDition", Form: scpi.Asks},
		meaning:  "Reads the questionable status as it is now, and clears nothing.",
		answer:   "NR1, bits as of the event register",
		examples: []example{{"STAT:QUES:COND?", "0"}},
	},
	{
		Command:  scpi.Command{ID: QuestionableEnable, Header: "STATus:QUEStionable:ENABle", Form: scpi.Both, Params: wordOf},
		meaning:  "Sets which questionable events show in bit 3 of the status byte.",
		answer:   "NR1, 0 to 32767",
		examples: []example{{"STAT:QUES:ENAB 3", ""}, {"STAT:QUES:ENAB?", "3"}},
	},
	{
		Command:  scpi.Command{ID: StatusPreset, Header: "STATus:PRESet", Form: scpi.Sets},
		meaning:  "Sets the enables of the operation and the questionable status to 0.",
		examples: []example{{"STAT:PRES", ""}},
	},
})
