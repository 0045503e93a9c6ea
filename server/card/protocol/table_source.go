package protocol

import (
	"math"

	"ohmkeep/server/card/scpi"
)

// Parameters of the source and sense settings.
var (
	levelWords = []string{"MINimum", "MAXimum", "DEFault"}
	levelV     = []scpi.Param{{Kind: scpi.Numeric, Unit: "V", Words: levelWords}}
	levelA     = []scpi.Param{{Kind: scpi.Numeric, Unit: "A", Words: levelWords}}
	fullScaleV = []scpi.Param{{Kind: scpi.Numeric, Unit: "V"}}
	fullScaleA = []scpi.Param{{Kind: scpi.Numeric, Unit: "A"}}
	positiveV  = []scpi.Param{{Kind: scpi.Numeric, Unit: "V", Min: math.SmallestNonzeroFloat64, Max: math.MaxFloat64}}
	positiveA  = []scpi.Param{{Kind: scpi.Numeric, Unit: "A", Min: math.SmallestNonzeroFloat64, Max: math.MaxFloat64}}
)

var (
	conflict = []scpi.Code{scpi.SettingsConflict}
	unfit    = []scpi.Code{scpi.SettingsConflict, scpi.DataOutOfRange}
)

const (
	levelMeaning = " It takes effect at once when the output is on and the channel forces that quantity. MINimum and MAXimum are minus and plus the full scale of the range, DEFault is 0. Beyond the largest range: -222; beyond the range that is set, or that the same message sets: -221."
	rangeMeaning = " The smallest range whose full scale is not below the magnitude of the number is taken; beyond the largest: -222. The answer is the full scale of the range that was taken."
	limitMeaning = " It must be greater than 0. It is in effect while the channel forces the other quantity, and is kept meanwhile. 0 is answered while none has been set since *RST."
)

var sourceCommands = group("Source", scpiSource, []entry{
	{
		Command: scpi.Command{ID: Mode, Header: "[SOURce<n>]:FUNCtion:MODE", Form: scpi.Both,
			Params: []scpi.Param{{Kind: scpi.Choice, Words: []string{"VOLTage", "CURRent"}}}},
		meaning:  "Sets which quantity the channel forces.",
		answer:   "VOLT or CURR",
		errors:   conflict,
		examples: []example{{"SOUR1:FUNC:MODE CURR", ""}, {"SOUR1:FUNC:MODE?", "CURR"}},
		coupled:  true,
	},
	{
		Command:  scpi.Command{ID: VoltageLevel, Header: "[SOURce<n>]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", Form: scpi.Both, Params: levelV},
		meaning:  "Sets the voltage that the channel forces, V." + levelMeaning,
		answer:   "NR3, V",
		errors:   unfit,
		examples: []example{{"SOUR1:VOLT 3.3", ""}, {"SOUR2:VOLT -150 MV", ""}, {"SOUR1:VOLT?", "3.3E+0"}},
		coupled:  true,
	},
	{
		Command:  scpi.Command{ID: CurrentLevel, Header: "[SOURce<n>]:CURRent[:LEVel][:IMMediate][:AMPLitude]", Form: scpi.Both, Params: levelA},
		meaning:  "Sets the current that the channel forces, A, positive out of the channel." + levelMeaning,
		answer:   "NR3, A",
		errors:   unfit,
		examples: []example{{"SOUR1:CURR 1E-3", ""}, {"SOUR1:CURR?", "1.0E-3"}},
		coupled:  true,
	},
	{
		Command:  scpi.Command{ID: VoltageRange, Header: "[SOURce<n>]:VOLTage:RANGe", Form: scpi.Both, Params: fullScaleV},
		meaning:  "Sets the range in which a voltage is forced." + rangeMeaning,
		answer:   "NR3, V",
		errors:   unfit,
		examples: []example{{"SOUR1:VOLT:RANG 5", ""}, {"SOUR1:VOLT:RANG?", "6.0E+0"}},
		coupled:  true,
	},
	{
		Command:  scpi.Command{ID: CurrentRange, Header: "[SOURce<n>]:CURRent:RANGe", Form: scpi.Both, Params: fullScaleA},
		meaning:  "Sets the range in which a current is forced." + rangeMeaning,
		answer:   "NR3, A",
		errors:   unfit,
		examples: []example{{"SOUR1:CURR:RANG 1E-3", ""}, {"SOUR1:CURR:RANG?", "1.0E-3"}},
		coupled:  true,
	},
	{
		Command: scpi.Command{ID: SenseTerminals, Header: "[SOURce<n>]:VOLTage:ALC:SOURce", Form: scpi.Both,
			Params: []scpi.Param{{Kind: scpi.Choice, Words: []string{"INTernal", "EXTernal"}}}},
		meaning:  "Sets where the channel senses the voltage that it forces and reads: INTernal at the force terminals, EXTernal at the sense terminals. EXTernal on a channel without sense terminals: -241.",
		answer:   "INT or EXT",
		errors:   []scpi.Code{scpi.SettingsConflict, scpi.HardwareMissing},
		examples: []example{{"SOUR1:VOLT:ALC:SOUR EXT", ""}, {"SOUR1:VOLT:ALC:SOUR?", "EXT"}},
		source:   "from memory, SCPI-1999; not in the collected list",
		coupled:  true,
	},
	{
		Command:  scpi.Command{ID: Tripped, Header: "[SOURce<n>]:CURRent:PROTection:TRIPped", Form: scpi.Asks},
		meaning:  "Says whether the card has switched this output off by itself: by a trip of the hardware or by the watchdog. While it is 1 the output cannot be switched on.",
		answer:   "1 tripped, 0 not",
		examples: []example{{"SOUR1:CURR:PROT:TRIP?", "0"}},
		source:   "from memory, SCPI-1999 volume 2, as for VOLTage; not in the collected list",
	},
	{
		Command:  scpi.Command{ID: TripClear, Header: "[SOURce<n>]:CURRent:PROTection:CLEar", Form: scpi.Sets},
		meaning:  "Takes back that the channel has tripped. Its output stays off. A trip whose cause lasts may stay: -221.",
		errors:   conflict,
		examples: []example{{"SOUR1:CURR:PROT:CLE", ""}},
		source:   "from memory, SCPI-1999 volume 2, as for VOLTage; not in the collected list",
	},
})
