package protocol

import "ohmkeep/server/card/scpi"

var (
	aperture = []scpi.Param{{Kind: scpi.Numeric, Unit: "S", Min: MinAperture, Max: MaxAperture}}
	count    = []scpi.Param{{Kind: scpi.Numeric, Min: 1, Max: MaxCount, Whole: true}}
)

const apertureMeaning = " One setting under two names: the converters of a channel run together. A card may round it to what its converter can do and answers what it took."

var senseCommands = group("Sense", scpiSource, []entry{
	{
		Command:  scpi.Command{ID: SenseCurrentRange, Header: "[SENSe<n>]:CURRent[:DC]:RANGe[:UPPer]", Form: scpi.Both, Params: fullScaleA},
		meaning:  "Sets the range in which the current is read." + rangeMeaning,
		answer:   "NR3, A",
		errors:   unfit,
		examples: []example{{"SENS1:CURR:RANG 10E-6", ""}, {"SENS1:CURR:DC:RANG:UPP?", "1.0E-5"}},
		coupled:  true,
	},
	{
		Command:  scpi.Command{ID: SenseVoltageRange, Header: "[SENSe<n>]:VOLTage[:DC]:RANGe[:UPPer]", Form: scpi.Both, Params: fullScaleV},
		meaning:  "Sets the range in which the voltage is read." + rangeMeaning,
		answer:   "NR3, V",
		errors:   unfit,
		examples: []example{{"SENS1:VOLT:RANG 5", ""}, {"SENS1:VOLT:RANG?", "6.0E+0"}},
		coupled:  true,
	},
	{
		Command:  scpi.Command{ID: CurrentLimit, Header: "[SENSe<n>]:CURRent[:DC]:PROTection[:LEVel]", Form: scpi.Both, Params: positiveA},
		meaning:  "Sets the limit of the current while a voltage is forced (the compliance), A, in both directions." + limitMeaning,
		answer:   "NR3, A",
		errors:   unfit,
		examples: []example{{"SENS1:CURR:PROT 10 MA", ""}, {"SENS1:CURR:PROT?", "1.0E-2"}},
		coupled:  true,
	},
	{
		Command:  scpi.Command{ID: VoltageLimit, Header: "[SENSe<n>]:VOLTage[:DC]:PROTection[:LEVel]", Form: scpi.Both, Params: positiveV},
		meaning:  "Sets the limit of the voltage while a current is forced (the compliance), V, in both directions." + limitMeaning,
		answer:   "NR3, V",
		errors:   unfit,
		examples: []example{{"SENS1:VOLT:PROT 2", ""}, {"SENS1:VOLT:PROT?", "2.0E+0"}},
		source:   "from memory, SCPI-1999 volume 2, as for CURRent; not in the collected list",
		coupled:  true,
	},
	{
		Command:  scpi.Command{ID: AtCurrentLimit, Header: "[SENSe<n>]:CURRent[:DC]:PROTection:TRIPped", Form: scpi.Asks},
		meaning:  "Says whether the channel is at its current limit now.",
		answer:   "1 at the limit, 0 not",
		examples: []example{{"SENS1:CURR:PROT:TRIP?", "0"}},
	},
	{
		Command:  scpi.Command{ID: AtVoltageLimit, Header: "[SENSe<n>]:VOLTage[:DC]:PROTection:TRIPped", Form: scpi.Asks},
		meaning:  "Says whether the channel is at its voltage limit now.",
		answer:   "1 at the limit, 0 not",
		examples: []example{{"SENS1:VOLT:PROT:TRIP?", "0"}},
		source:   "from memory, SCPI-1999 volume 2, as for CURRent; not in the collected list",
	},
	{
		Command:  scpi.Command{ID: CurrentAperture, Header: "[SENSe<n>]:CURRent[:DC]:APERture", Form: scpi.Both, Params: aperture},
		meaning:  "Sets how long the channel integrates for a reading, s." + apertureMeaning,
		answer:   "NR3, s",
		errors:   unfit,
		examples: []example{{"SENS1:CURR:APER 0.02", ""}, {"SENS1:CURR:APER 500 US", ""}, {"SENS1:CURR:APER?", "2.0E-2"}},
		coupled:  true,
	},
	{
		Command:  scpi.Command{ID: VoltageAperture, Header: "[SENSe<n>]:VOLTage[:DC]:APERture", Form: scpi.Both, Params: aperture},
		meaning:  "Sets how long the channel integrates for a reading, s." + apertureMeaning,
		answer:   "NR3, s",
		errors:   unfit,
		examples: []example{{"SENS1:VOLT:APER 0.02", ""}, {"SENS1:VOLT:APER?", "2.0E-2"}},
		source:   "from memory, SCPI-1999 volume 2, as for CURRent; not in the collected list",
		coupled:  true,
	},
	{
		Command:  scpi.Command{ID: AverageCount, Header: "[SENSe<n>]:AVERage:COUNt", Form: scpi.Both, Params: count},
		meaning:  "Sets of how many apertures a reading is the mean while averaging is on.",
		answer:   "NR1",
		errors:   conflict,
		examples: []example{{"SENS1:AVER:COUN 10", ""}, {"SENS1:AVER:COUN?", "10"}},
		coupled:  true,
	},
	{
		Command:  scpi.Command{ID: AverageState, Header: "[SENSe<n>]:AVERage[:STATe]", Form: scpi.Both, Params: onOff},
		meaning:  "Switches averaging on or off.",
		answer:   "1 on, 0 off",
		examples: []example{{"SENS1:AVER ON", ""}, {"SENS1:AVER:STAT?", "1"}},
	},
})
