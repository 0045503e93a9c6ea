// The table of commands: headers as the standards write them (capitals are the
// short form, what is in brackets may be left out, # is a channel's number),
// what forms there are, and what carries them out.
// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#include "card.h"

enum Forms { SET = 1, ASK = 2, BOTH = 3, COUPLED = 4 };

const Card::Command Card::commands[] = {
	{"*CLS", SET, 0, &Card::common_action},
	{"*OPC", SET, 1, &Card::common_action},
	{"*WAI", SET, 2, &Card::common_action},
	{"*RST", SET, 3, &Card::common_action},
	{"*ESE", BOTH, 0, &Card::common_number},
	{"*SRE", BOTH, 1, &Card::common_number},
	{"*ESR", ASK, 0, &Card::common_event},
	{"*STB", ASK, 1, &Card::common_event},
	{"*OPC", ASK, 2, &Card::common_event},
	{"*TST", ASK, 3, &Card::common_event},
	{"*IDN", ASK, 0, &Card::common_text},
	{"*OPT", ASK, 1, &Card::common_text},

	{"SYSTem:ERRor[:NEXT]", ASK, 0, &Card::system_error},
	{"SYSTem:ERRor:COUNt", ASK, 1, &Card::system_error},
	{"SYSTem:VERSion", ASK, 0, &Card::system_version},
	{"STATus:OPERation[:EVENt]", ASK, 0, &Card::status_register},
	{"STATus:OPERation:CONDition", ASK, 1, &Card::status_register},
	{"STATus:OPERation:ENABle", BOTH, 2, &Card::status_register},
	{"STATus:QUEStionable[:EVENt]", ASK, 4, &Card::status_register},
	{"STATus:QUEStionable:CONDition", ASK, 5, &Card::status_register},
	{"STATus:QUEStionable:ENABle", BOTH, 6, &Card::status_register},
	{"STATus:PRESet", SET, 0, &Card::status_preset},

	{"[SOURce#]:FUNCtion:MODE", BOTH | COUPLED, 0, &Card::force_mode},
	{"[SOURce#]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", BOTH | COUPLED, VOLT, &Card::force_level},
	{"[SOURce#]:CURRent[:LEVel][:IMMediate][:AMPLitude]", BOTH | COUPLED, CURR, &Card::force_level},
	{"[SOURce#]:VOLTage:RANGe", BOTH | COUPLED, VOLT, &Card::force_range},
	{"[SOURce#]:CURRent:RANGe", BOTH | COUPLED, CURR, &Card::force_range},
	{"[SOURce#]:VOLTage:ALC:SOURce", BOTH | COUPLED, 0, &Card::sense_place},
	{"[SOURce#]:CURRent:PROTection:TRIPped", ASK, 0, &Card::trip},
	{"[SOURce#]:CURRent:PROTection:CLEar", SET, 0, &Card::trip},

	{"[SENSe#]:VOLTage[:DC]:RANGe[:UPPer]", BOTH | COUPLED, VOLT, &Card::sense_range},
	{"[SENSe#]:CURRent[:DC]:RANGe[:UPPer]", BOTH | COUPLED, CURR, &Card::sense_range},
	{"[SENSe#]:VOLTage[:DC]:PROTection[:LEVel]", BOTH | COUPLED, VOLT, &Card::protection},
	{"[SENSe#]:CURRent[:DC]:PROTection[:LEVel]", BOTH | COUPLED, CURR, &Card::protection},
	{"[SENSe#]:VOLTage[:DC]:PROTection:TRIPped", ASK, VOLT, &Card::limit_reached},
	{"[SENSe#]:CURRent[:DC]:PROTection:TRIPped", ASK, CURR, &Card::limit_reached},
	{"[SENSe#]:VOLTage[:DC]:APERture", BOTH | COUPLED, 0, &Card::aperture},
	{"[SENSe#]:CURRent[:DC]:APERture", BOTH | COUPLED, 0, &Card::aperture},
	{"[SENSe#]:AVERage:COUNt", BOTH | COUPLED, 0, &Card::average_count},
	{"[SENSe#]:AVERage[:STATe]", BOTH, 0, &Card::average_state},

	{"OUTPut#[:STATe]", BOTH, 0, &Card::output},
	{"ROUTe:CLOSe", BOTH, 0, &Card::route_close},
	{"ROUTe:CLOSe:STATe", ASK, 0, &Card::route_state},
	{"ROUTe:OPEN", SET, 0, &Card::route_open},
	{"ROUTe:OPEN:ALL", SET, 1, &Card::route_open},

	{"READ[:SCALar]", ASK, 0, &Card::read},
	{"FETCh", ASK, 0, &Card::fetch},
	{"ABORt", SET, 0, &Card::abort},
};

const int Card::command_count = sizeof commands / sizeof commands[0];
