package protocol

import "ohmkeep/server/cardinfo"

var intro = []string{
	"A card is a microcontroller with force/sense channels and the switches of a bench, reached over a serial line or a TCP socket. It is told what to do in messages of IEEE 488.2 and SCPI-1999: lines of text with the standards' headers, each answered by at most one line.",
	"This page is enough to write the firmware of a card from. n is the number of a channel on the card, from 1. All values are in V, A, Ω and s. What is said of the standards is from memory where the source of a command says so.",
	"A host that loses its place never guesses: it asks for something that only the newest answer can be, and throws away what comes before. That works only if a card answers in order and never speaks without being asked.",
}

// rules are the requirements on every message, and on what a card does by
// itself.
func rules() []cardinfo.Rule {
	return append(messageRules(), behaviourRules()...)
}

func messageRules() []cardinfo.Rule {
	return []cardinfo.Rule{
		{Title: "Connection", Text: []string{
			"TCP: one host at a time. A second connection is closed at once, without a byte; the first goes on. When the host's connection ends, the card makes itself safe at once or leaves that to the watchdog. Port 5025 by custom.",
			"Serial: 115,200 bits/s, 8 data bits, no parity, 1 stop bit, no flow control, unless the bench says otherwise. A card need not echo; one that does echoes whole lines before it answers.",
			"A card says nothing that it was not asked.",
		}},
		{Title: "Framing", Text: []string{
			"A message is a line: characters 0x20 to 0x7E and TAB, ended by LF (0x0A). A CR right before the LF is ignored. A line without anything but white space is nothing: not an error, not answered.",
			"With its LF a message has at most 1024 bytes. Of a longer one all is thrown away up to its LF, and -363,\"Input buffer overrun\" is queued. A message with any other byte is thrown away whole: -101,\"Invalid character\".",
			"A line of an answer ends with LF alone.",
		}},
		{Title: "Units and order", Text: []string{
			"A message consists of units separated by \";\". They are carried out in order. The first mistake or failure stops the message: it is queued, nothing after it is carried out, and a query that was not reached is not answered. What was carried out before it stays.",
			"All answers of one message come in one line, in order, with \";\" between them; also those of a message that a mistake has stopped later on. A message that has nothing to answer is not answered. An empty unit, also after a last \";\", is a mistake: -102.",
			"A message that comes while another is being carried out waits its turn, but for those that are acted on at once.",
		}},
		{Title: "Headers", Text: []string{
			"A header is words separated by \":\". Capitals in this reference are the short form, all letters the long form; a card takes exactly one of the two, in any case of letters. What stands in [ ] may be left out. A query has \"?\" right after the header.",
			"<n> is the channel's number, written right after the word: SOUR2. Left out it is 1. A channel that the card does not have is -114, as is a number after a word that takes none. In a header with [SOURce<n>] or [SENSe<n>], leaving the word out means channel 1.",
			"VOLTage and CURRent are below both SOURce and SENSe. Where both could be meant because the word was left out, SOURce is; so write SENSe.",
			"After a \";\" the next header goes on at the level of the one before: SENS2:CURR:RANG 1;PROT 0.1 sets SENS2:CURR:PROT. The level is what was sent before the last word, with its number. A header that begins with \":\" starts at the root. A common command, with its \"*\", stands anywhere and leaves the level as it was. Every message starts at the root.",
			"White space, one or more blanks and TABs, stands between header and parameter, and may stand around \",\" and \";\". A word has at most 12 characters: -112.",
		}},
		{Title: "Parameters", Text: []string{
			"<numeric> is NR1 (273), NR2 (0.273) or NR3 (2.73E+2), or #H, #Q or #B with hexadecimal, octal or binary digits. Where a unit is named it may follow, with or without white space, with a multiplier: EX PE T G MA K M U N P F A before V, A, S or OHM, in any case. M is milli, but MOHM is megaohm.",
			"9.9E37 is infinity and -9.9E37 minus infinity, as is what is beyond; 9.91E37 is not-a-number, which is no setting: -222. The words MINimum, MAXimum and DEFault may stand for a number where they are named.",
			"<Boolean> is ON, OFF or a number, which is rounded; anything but 0 is ON. Words have a short and a long form like headers.",
			"<channel_list> is (@1,3:5): items with \",\" between them, m:n for a range, in either direction. A path is an item of two numbers, line!contact: (@1!12,0!7); a range goes through both numbers, 1!1:2!3 through 1!1, 1!2, 1!3, 2!1, 2!2, 2!3. An empty list is -171 as a parameter, and written (@) in an answer. At most 1024 items, each at most 65535.",
		}},
		{Title: "Answers", Text: []string{
			"NR1 is an integer; NR3 is a mantissa with a decimal point, E, a sign and an exponent: -1.25E-6. Boolean answers are 1 and 0, words are answered in short form and capitals, text stands in double quotes, with \" doubled inside.",
			"A number should have enough digits to read back the same binary number (17 at most). A card may send fewer; the level that it echoes may differ from what it was told by a millionth or one step of the forcing range, whichever is more. A host takes more for a fault.",
			"±9.9E37 is a value beyond all ranges, 9.91E37 one that could not be measured.",
		}},
		{Title: "Errors", Text: []string{
			"The error queue is first in, first out, with room for 16 entries at least. When it is full the last entry becomes -350,\"Queue overflow\". It is read by SYST:ERR? and emptied by *CLS and at power on, not by *RST.",
			"Every error that is queued sets the bit of its class in the standard event status register: command errors, -1xx, bit 5 (32); execution errors, -2xx, bit 4 (16); device errors, -3xx and numbers above 0, bit 3 (8); query errors, -4xx, bit 2 (4). Numbers above 0 are a card's own.",
			"Any message can come to -101, -102, -103, -111, -112, -113 and -363 besides the errors that are listed with its commands.",
		}},
	}
}

func behaviourRules() []cardinfo.Rule {
	return []cardinfo.Rule{
		{Title: "Coupled settings", Text: []string{
			"FUNCtion:MODE, levels, ranges, PROTection levels, ALC:SOURce, APERture and AVERage:COUNt that stand in one message take effect together: when the message ends, or before the first unit in it that is none of them. So a host can change range and level in any order.",
			"When what would be set does not fit together, for instance a level beyond its range, none of them takes effect: -221,\"Settings conflict\". A value that is wrong whatever else is set is -222 where it stands, and stops the message. Whether settings that were waiting when a mistake stopped their message take effect is left to the card: a host sets all of them anew.",
			"A query among them counts as a unit that is none of them: it answers what is set after they have taken effect.",
		}},
		{Title: "Acted on at once", Text: []string{
			"A message that begins with ABORt is acted on when its LF comes, also while a reading is under way: the reading ends, is not answered, and the rest of its message is not carried out. What waits before it is dropped, or carried out first without its readings; a host counts on neither. A card may treat *RST in the same way.",
			"ABOR;*RST is how a host makes a card safe at any moment.",
		}},
		{Title: "Confirmation", Text: []string{
			"After each message that sets something a host asks *ESR? in a message of its own. 0 is: carried out. Anything else is followed by SYST:ERR? until the queue is empty. 128 is: the card has started anew and nothing of what was set holds.",
			"At power on bit 7 (128) of the standard event status register is set, ESE, SRE and the other enables are 0, and the error queue is empty.",
		}},
		{Title: "Status", Text: []string{
			"Standard event status register: bit 0 operation complete, 2 query error, 3 device error, 4 execution error, 5 command error, 7 power on.",
			"Status byte: bit 2 an error waits in the queue, 3 an enabled questionable event, 4 an answer waits (0 when it is *STB? itself that asks), 5 an enabled standard event, 7 an enabled operation event; bit 6 one of the others that *SRE has enabled.",
			"Questionable status: bit 0 a voltage, bit 1 a current at the limit. Operation status: bit 1 settling, bit 4 measuring. A condition that rises is an event; reading the event register clears it, as does *CLS.",
		}},
		{Title: "*RST, and power on", Text: []string{
			"In this order: all outputs to zero and off; all paths open; then for every channel function voltage, levels 0, the largest ranges, no protection level set (answered as 0), local sense, aperture 0.02 s, averaging off with a count of 1. Trips are cleared.",
			"The error queue, the event registers and the enables are kept at *RST.",
			"An output that is on without a limit is how parts are lost: OUTP ON before the limit of its mode has been set since *RST is -221.",
		}},
		{Title: "Paths", Text: []string{
			"Paths that share a multiplexer exclude each other: closing one while another is closed is -221 and closes nothing, also when both stand in the same list. A card never opens a path that it was not told to open, but for *RST and the watchdog. A host opens before it closes, with outputs at zero or off.",
			"An item's first number is the line: a channel's number, or 0 for the return. The second is the contact.",
		}},
		{Title: "Trips", Text: []string{
			"When the card switches an output off by itself, it takes it to zero and off at once, queues an error that names the channel (-240,\"Hardware error;trip of channel 1\", or a number of its own), and answers 1 to SOUR<n>:CURR:PROT:TRIP? until CLEar or *RST. While it is 1, OUTP<n> ON is -221.",
			"Reaching a limit is no trip: the channel holds the limit, the reading's status says so, and the questionable status.",
		}},
		{Title: "Watchdog", Text: []string{
			"While any output is on or any path is closed, and no complete message has come for WATCHDOG seconds (of *OPT?; 2 s), the card does to outputs and paths what *RST does, marks the channels that were on as tripped, and queues -365,\"Time out error;watchdog\". Settings stay.",
			"The time counts from the later of the last LF and the end of the last command, so a long reading does not set it off. Any line counts, also one with a mistake in it.",
			"A host that has nothing else to say asks *ESR? at least every quarter of that time.",
		}},
		{Title: "Timing", Text: []string{
			"A host waits for an answer as long as the command may take, plus the timeout of its connection. Settings, OUTPut and queries: 20 ms from the LF to carried out or answered. ROUTe: the switching time for opening and for closing, and 20 ms. READ?: aperture times count, the longest of the channels read, and 50 ms. *RST and ABORt: 50 ms at any moment. Units of one message add up.",
			"The time on the line comes on top: 10 bits a byte at the line's rate.",
		}},
		{Title: "In step again", Text: []string{
			"After a late, cut or garbled answer a host sends *ESE a;*ESE?;*ESE b;*ESE?;*ESE 0 with two numbers that it has not used for long, and throws away all lines until a;b comes. Nothing older can come after it, because a card answers in order.",
			"So *ESE must take and answer every number from 0 to 255, and be answered in one line with what else the message asks.",
		}},
	}
}
