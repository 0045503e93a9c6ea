package conformance

import "ohmkeep/server/card/scpi"

func statusPoints() []point {
	const group = "status"
	const (
		errors, question, event = int(scpi.ByteErrors), int(scpi.ByteQuestionable), int(scpi.ByteEvent)
		master, operation       = int(scpi.ByteMaster), int(scpi.ByteOperation)
		command, complete       = int(scpi.EventCommand), int(scpi.EventComplete)
		mistakes                = int(anyError)
	)
	return []point{
		{group: group, title: "*ESE keeps 0 to 255", steps: []step{
			keeps("*ESE 255", "*ESE?", is("255")), keeps("*ESE 0", "*ESE?", is("0")),
			carried("*ESE 37"), refused("*ESE 256", -222), refused("*ESE -1", -222), ask("*ESE?", is("37")),
		}},
		{group: group, title: "*SRE keeps 0 to 255 without bit 6", steps: []step{
			keeps("*SRE 255", "*SRE?", is("191")), keeps("*SRE 0", "*SRE?", is("0")), refused("*SRE 256", -222),
		}},
		{group: group, title: "*ESR? answers the events and clears them", steps: []step{
			tell("NOSUCH"), ask("*ESR?", bits(command, mistakes&^command)), ask("*ESR?", is("0")),
		}},
		{group: group, title: "*OPC sets bit 0 of the event status", steps: []step{
			ask("*ESR?", is("0")), tell("*OPC"), ask("*ESR?", bits(complete, mistakes)), noError(),
		}},
		{group: group, title: "*OPC? answers 1", steps: []step{ask("*OPC?", is("1")), noError()}},
		{group: group, title: "*WAI is carried out", steps: []step{ask("*WAI;*OPC?", is("1")), noError()}},
		{group: group, title: "the status byte is clear where nothing happened", steps: []step{
			ask("*STB?", bits(0, errors+question+event+master+operation)),
		}},
		{group: group, title: "bit 2 of the status byte: the error queue is not empty", steps: []step{
			tell("NOSUCH"), ask("*STB?", bits(errors, event+master)), ask("*STB?", bits(errors, event+master)),
			ask("SYST:ERR?", errorOf(-113)), ask("*STB?", bits(0, errors)),
		}},
		{group: group, title: "bit 5 of the status byte: an event that *ESE asks for", steps: []step{
			carried("*ESE 16"), tell("NOSUCH"), ask("*STB?", bits(errors, event)),
			tell("*ESE 32"), ask("*STB?", bits(errors+event, master)), ask("*ESR?", bits(command, 0)), ask("*STB?", bits(errors, event)),
		}},
		{group: group, title: "bit 6 of the status byte: something that *SRE asks for", steps: []step{
			carried("*ESE 32;*SRE 32"), tell("NOSUCH"), ask("*STB?", bits(errors+event+master, 0)),
			tell("*SRE 4"), ask("*STB?", bits(errors+master, 0)), tell("*SRE 0"), ask("*STB?", bits(errors, master)),
		}},
		{group: group, title: "*CLS keeps the enables", steps: []step{
			carried("*ESE 3;*SRE 4"), carried("STAT:QUES:ENAB 3"), tell("*CLS"),
			ask("*ESE?;*SRE?;:STAT:QUES:ENAB?", is("3;4;3")), carried("STAT:PRES"),
		}},
		{group: group, title: "*RST keeps the enables", steps: []step{
			carried("*ESE 3;*SRE 4"), carried("STAT:OPER:ENAB 16"), tell("*RST"),
			ask("*ESE?;*SRE?;:STAT:OPER:ENAB?", is("3;4;16")), carried("STAT:PRES"),
		}},
		{group: group, title: "STATus:PRESet takes back what STATus enables, and nothing else", steps: []step{
			carried("*ESE 3"), carried("STAT:OPER:ENAB 16"), carried("STAT:QUES:ENAB 3"),
			ask("STAT:OPER:ENAB?;:STAT:QUES:ENAB?", is("16;3")), carried("STAT:PRES"),
			ask("STAT:OPER:ENAB?;:STAT:QUES:ENAB?;*ESE?", is("0;0;3")),
		}},
		{group: group, title: "the enables of STATus refuse what has more than 16 bits", steps: []step{
			refused("STAT:OPER:ENAB 65536", -222), refused("STAT:QUES:ENAB -1", -222),
			ask("STAT:OPER:ENAB?;:STAT:QUES:ENAB?", is("0;0")),
		}},
		{group: group, title: "no condition where nothing is on", steps: []step{
			ask("STAT:QUES:COND?", is("0")), ask("STAT:QUES?;:STAT:QUES:EVEN?", is("0;0")),
			ask("STAT:OPER:COND?", integer(0, 32767)), ask("STAT:OPER?", integer(0, 32767)), ask("STAT:OPER:EVEN?", integer(0, 32767)),
		}},
		{group: group, title: "a channel at its voltage limit shows in the questionable status", each: true, steps: []step{
			carried("STAT:QUES:ENAB 1"), forceCurrent(), carried("OUTP{n} ON"), settle(),
			ask("SENS{n}:VOLT:PROT:TRIP?", is("1")), ask("STAT:QUES:COND?", bits(1, 2)), ask("*STB?", bits(question, 0)),
			ask("STAT:QUES?", bits(1, 2)), ask("*STB?", bits(0, question)),
			carried("OUTP{n} OFF"), ask("STAT:QUES:COND?", is("0")), ask("SENS{n}:VOLT:PROT:TRIP?", is("0")), carried("STAT:PRES"),
		}},
	}
}
