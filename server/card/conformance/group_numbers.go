package conformance

import "strings"

func numberPoints() []point {
	const group = "numbers"
	// reads sets a register of eight bits.
	reads := func(title, sent, value string) point {
		return point{group: group, title: title, steps: []step{keeps("*ESE "+sent, "*ESE?", is(value))}}
	}
	// means sets an aperture, in seconds.
	means := func(title, sent, value string) point {
		return point{group: group, title: title, steps: []step{
			keeps("SENS{n}:CURR:APER "+sent, "SENS{n}:CURR:APER?", near(value, 1e-3)),
		}}
	}
	refuses := func(title, message string, numbers ...int) point {
		return point{group: group, title: title, steps: []step{
			refused(message, numbers...), ask("SENS{n}:CURR:APER?", near("0.02", 1e-3)),
		}}
	}
	return []point{
		reads("NR1 is read", "5", "5"),
		reads("NR1 with a sign and zeros is read", "+005", "5"),
		reads("NR2 is read", "5.0", "5"),
		reads("NR3 is read", "0.5E+1", "5"),
		reads("NR3 with a small e is read", "50e-1", "5"),
		reads("#H is read", "#H1f", "31"),
		reads("#Q is read", "#Q17", "15"),
		reads("#B is read", "#B101", "5"),
		means("a number without a unit is in the base unit", "0.01", "0.01"),
		means("a number that begins with its point is read", ".01", "0.01"),
		means("a unit may follow", "0.01S", "0.01"),
		means("a unit may follow after white space", "0.01 s", "0.01"),
		means("M is milli", "10MS", "0.01"),
		means("M is milli, after white space and in small letters", "10 ms", "0.01"),
		means("U is micro", "1E4US", "0.01"),
		means("N is nano", "10E6 NS", "0.01"),
		{group: group, title: "V takes multipliers", steps: []step{
			keeps("SOUR{n}:VOLT 50MV", "SOUR{n}:VOLT?", level("0.05", "{v.large}")),
			keeps("SOUR{n}:VOLT 25000 UV", "SOUR{n}:VOLT?", level("0.025", "{v.large}")),
			keeps("SOUR{n}:VOLT 5E-5KV", "SOUR{n}:VOLT?", level("0.05", "{v.large}")),
		}},
		{group: group, title: "A takes multipliers", steps: []step{
			keeps("SENS{n}:CURR:PROT 10UA", "SENS{n}:CURR:PROT?", near("1E-5", 0.01)),
			keeps("SENS{n}:CURR:PROT 0.02 MA", "SENS{n}:CURR:PROT?", near("2E-5", 0.01)),
			keeps("SENS{n}:CURR:PROT 1E4 NA", "SENS{n}:CURR:PROT?", near("1E-5", 0.01)),
		}},
		refuses("the unit of another quantity is refused", "SENS{n}:CURR:APER 0.1 V", -131),
		refuses("an unknown unit is refused", "SENS{n}:CURR:APER 0.1 QQ", -131),
		refuses("a unit where there is none is refused", "*ESE 5 V", -138),
		refuses("two points are no number", "SENS{n}:CURR:APER 0..1", -121),
		refuses("an exponent without digits is no number", "SENS{n}:CURR:APER 1E", -121, -131),
		refuses("9.9E37 is infinity, and out of range", "SENS{n}:CURR:APER 9.9E37", -222),
		refuses("9.91E37 is not a number, and out of range", "SENS{n}:CURR:APER 9.91E37", -222),
		refuses("an exponent that is too large is refused", "SENS{n}:CURR:APER 1E40000", -123),
		refuses("a unit that is too long is refused", "SENS{n}:CURR:APER 1 ABCDEFGHIJKLM", -134),
		refuses("more than 255 digits are refused", "SENS{n}:CURR:APER 0."+strings.Repeat("1", 256), -124),
		// It has too many digits, and is out of range.
		refuses("a non-decimal number of more than 64 bits is refused", "*ESE #H10000000000000000", -124, -222),
		{group: group, title: "a Boolean is ON, OFF or a number", steps: []step{
			keeps("SENS{n}:AVER ON", "SENS{n}:AVER?", is("1")), keeps("SENS{n}:AVER OFF", "SENS{n}:AVER?", is("0")),
			keeps("SENS{n}:AVER 1", "SENS{n}:AVER?", is("1")), keeps("SENS{n}:AVER 0", "SENS{n}:AVER?", is("0")),
			keeps("SENS{n}:AVER 7", "SENS{n}:AVER?", is("1")), keeps("SENS{n}:AVER off", "SENS{n}:AVER?", is("0")),
		}},
		{group: group, title: "a level has all the digits that were sent", steps: []step{
			// What binary numbers cannot hold exactly, near the end of a range.
			keeps("SOUR{n}:VOLT 0.0123456789", "SOUR{n}:VOLT?", level("0.0123456789", "{v.large}")),
			keeps("SOUR{n}:VOLT -0.0987654321", "SOUR{n}:VOLT?", level("-0.0987654321", "{v.large}")),
		}},
		{group: group, title: "MINimum, MAXimum and DEFault stand for levels", steps: []step{
			carried("SOUR{n}:VOLT MAX"), ask("SOUR{n}:VOLT?", level("{v.large}", "{v.large}")),
			carried("SOUR{n}:VOLT MINIMUM"), ask("SOUR{n}:VOLT?", atMost("0", "{v.large}")),
			carried("SOUR{n}:VOLT DEF"), ask("SOUR{n}:VOLT?", exact("0")),
			carried("SOUR{n}:CURR MAXIMUM"), ask("SOUR{n}:CURR?", level("{i.large}", "{i.large}")),
			carried("SOUR{n}:CURR MIN"), ask("SOUR{n}:CURR?", atMost("0", "{i.large}")),
			carried("SOUR{n}:CURR DEFAULT"), ask("SOUR{n}:CURR?", exact("0")),
		}},
	}
}
