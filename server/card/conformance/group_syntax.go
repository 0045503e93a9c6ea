package conformance

func syntaxPoints() []point {
	const group = "syntax"
	refuses := func(title, message string, numbers ...int) point {
		return point{group: group, title: title, steps: []step{
			refused(message, numbers...), ask("*ESE?", is("0")),
		}}
	}
	return []point{
		{group: group, title: "headers may be in capitals, small letters or both", steps: []step{
			ask("outp{n}:stat?", is("0")), ask("OuTPut{n}?", is("0")), carried("*eSe 3"), ask("*ese?", is("3")), noError(),
		}},
		{group: group, title: "a header may begin with a colon", steps: []step{ask(":OUTP{n}?;:SYST:VERS?", is("0;1999.0")), noError()}},
		{group: group, title: "optional nodes may be there or not", steps: []step{
			carried("SOUR{n}:VOLT:LEV:IMM:AMPL 0"), ask("SOUR{n}:VOLT?;:SOUR{n}:VOLT:LEV?;:SOUR{n}:VOLT:IMM?;:SOUR{n}:VOLT:AMPL?",
				parts(exact("0"), exact("0"), exact("0"), exact("0"))), noError(),
		}},
		{group: group, title: "SOURce and SENSe may be left out, for channel 1", steps: []step{
			carried("SOUR{one}:FUNC:MODE CURR"), ask("FUNC:MODE?", oneOf("CURR")),
			carried("SENS{one}:AVER:COUN 3"), ask("AVER:COUN?", exact("3")), noError(),
		}},
		{group: group, title: "a suffix that is left out is 1", steps: []step{
			carried("SOUR:FUNC:MODE CURR"), ask("SOUR{one}:FUNC:MODE?;:SOUR:FUNC:MODE?", is("CURR;CURR")), noError(),
		}},
		{group: group, title: "the next header continues at the level of the one before", steps: []step{
			ask("SOUR{n}:VOLT:RANG {v.large};RANG?;ALC:SOUR?", parts(near("{v.large}", 1e-6), is("INT"))), noError(),
		}},
		{group: group, title: "a common command leaves the level", steps: []step{
			ask("SOUR{n}:VOLT:RANG {v.large};*ESE 3;*ESE?;ALC:SOUR?", is("3;INT")), noError(),
		}},
		{group: group, title: "a colon goes back to the root, and only a colon", steps: []step{
			ask("SOUR{n}:VOLT:ALC:SOUR?;:OUTP{n}?", is("INT;0")), noError(),
			lines("SOUR{n}:VOLT:ALC:SOUR?;OUTP{n}?", is("INT")), errorIs(-113),
		}},
		{group: group, title: "white space may stand around a semicolon", steps: []step{
			ask("*ESE 3 ; *ESE? ;\t*SRE?", is("3;0")), noError(),
		}},
		refuses("an unknown header is refused", "*ESE 0;NOSUCH:HEADER 1", -113),
		refuses("an unknown common command is refused", "*NOS", -113),
		refuses("neither short nor long form is refused", "SOUR{n}:VOLTA 0", -113),
		refuses("less than the short form is refused", "SYS:ERR?", -113),
		refuses("a query of what cannot be asked is refused", "*RST?", -113),
		refuses("a command of what can only be asked is refused", "*IDN", -113),
		refuses("a channel that the card has not is refused, in SOURce", "SOUR{nobody}:VOLT 0", -114),
		refuses("a channel that the card has not is refused, in SENSe", "SENS{nobody}:AVER:COUN 2", -114),
		refuses("a channel that the card has not is refused, in OUTPut", "OUTP{nobody} OFF", -114),
		refuses("channel 0 is refused", "OUTP0?", -114),
		refuses("a suffix where there is none is refused", "SYST2:VERS?", -114),
		refuses("a missing parameter is refused", "*ESE", -109),
		refuses("a missing parameter is refused, of a setting", "SOUR{n}:VOLT", -109),
		refuses("one parameter too many is refused", "*ESE 3,4", -108),
		refuses("a parameter where there is none is refused", "*RST 1", -108),
		refuses("a header that runs into its parameter is refused", "*ESE3", -111, -113, -114),
		refuses("a number where a word belongs is refused", "SOUR{n}:FUNC:MODE 5", -104),
		refuses("a word that is none of the choice is refused", "SOUR{n}:FUNC:MODE BANANA", -141),
		refuses("a word where a number belongs is refused", "*ESE BANANA", -104),
		refuses("a string where a number belongs is refused", `SOUR{n}:VOLT "0"`, -104),
		refuses("a word that is no Boolean is refused", "SENS{n}:AVER BANANA", -141),
		refuses("a number where a channel list belongs is refused", "READ? 1", -104),
		refuses("a channel list without its end is refused", "READ? (@1", -171),
		refuses("an empty item of a channel list is refused", "READ? (@1,,2)", -171),
		refuses("a channel list of too many items is refused", "ROUT:CLOS? {many}", -223),
		// It has too many items, and items that there are not.
		refuses("a channel list that goes far beyond is refused", "READ? (@1:2000)", -223, -222),
		refuses("an empty unit is refused", "*ESE 0;;*ESE 3", -102),
		refuses("a semicolon with nothing after it is refused", "*ESE 0;", -102),
		refuses("two colons are refused", "SYST::ERR?", -102),
		refuses("a comma with nothing before it is refused", "*ESE ,3", -102),
		refuses("a character that has no meaning is refused", "OUTP{n}&", -101),
		refuses("a word of a header that is too long is refused", "ABCDEFGHIJKLM", -112),
		refuses("a word as a parameter that is too long is refused", "SOUR{n}:FUNC:MODE ABCDEFGHIJKLM", -144),
		refuses("two parameters without a comma are refused", "*ESE 3 4", -103),
		refuses("no white space between header and parameter is refused", "SOUR{n}:FUNC:MODE\"VOLT\"", -111),
	}
}
