// hardware.h is all that the card's loop knows of the hardware: three sizes,
// one table of facts and six functions. To port the card, write these; see
// example_hardware.cpp, which simulates them.
//
// Before anything else runs, and without help from this program, the circuit
// itself must keep every output off and every path open: at power on, during
// reset, while being programmed, and when the processor hangs. Use pull
// resistors on every enable line and the processor's own watchdog. A hardware
// interlock (a switch that takes the power from the output stages) must work
// without this program.
//
// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#ifndef OHMKEEP_HARDWARE_H
#define OHMKEEP_HARDWARE_H

#include <stdint.h>

#include "number.h"

// Sizes of this card. Lines are the return (0 V), line 0, and the channels.
const int CHANNELS = 2;
const int LINES = CHANNELS + 1;
const int CONTACTS = 32;

// Index of a quantity in the arrays below.
enum Quantity { VOLT = 0, CURR = 1 };

// Ranges are the full scales of one function in ascending order, V or A.
struct Ranges {
	const real *full;
	int count; // at least 1
};

struct ChannelFacts {
	Ranges force[2]; // by Quantity
	Ranges sense[2];
	bool sense_terminals; // it can sense remotely
};

struct Facts {
	// maker, model, serial, version: what *IDN? answers. No commas, together
	// with the three commas at most 72 characters.
	const char *maker, *model, *serial, *version;
	uint32_t watchdog_ms; // silence of the host after which the card makes itself safe
	uint32_t switch_ms;   // until paths that were opened or closed have settled; at most 25
	ChannelFacts channel[CHANNELS]; // channel 1 first
};

extern const Facts hw_facts;

// Setup is everything that one channel is to do.
struct Setup {
	bool on;             // false: zero volts and disconnected, whatever the rest says
	bool forces_current; // otherwise a voltage
	bool remote;         // sense at the sense terminals
	real level;          // V or A
	real range;          // full scale of what is forced; one of the facts
	real limit;          // of the other quantity: A or V, positive; 0 only while off
	real sense[2];       // full scales that sense V and A; of the facts
};

// 1. hw_force makes a channel (1..CHANNELS) do what setup says, within 5 ms.
// It may refuse a combination that the circuit cannot do: then it changes
// nothing and returns false. It never refuses on = false, and that must not
// wait for anything. While on, a change of level or limit must not overshoot;
// if it cannot be done without passing through other levels, pass through
// zero. Called with on = false, a protection that has tripped lets go, unless
// its cause is still there.
bool hw_force(int channel, const Setup &setup);

// 2. hw_mux says which multiplexer the path from line (0..LINES-1) to contact
// (any number) belongs to: any positive number, the same for paths that
// exclude each other and different for others; 0 where there is no such path.
int hw_mux(int line, int contact);

// 3. hw_switch opens or closes one path. It returns at once; the loop waits
// switch_ms before it does anything else.
void hw_switch(int line, int contact, bool closed);

// 4. hw_measure starts one measurement on all channels with an aperture above
// 0 (s, channel 1 first), together; volts and amperes of a channel over the
// same time. A measurement that was under way on any channel is forgotten. It
// returns at once.
void hw_measure(const real aperture[CHANNELS]);

// Look is how a channel stands.
struct Look {
	bool at_limit; // now, or at any time since the last look: the limit holds, not the level
	bool tripped;  // its own protection (temperature, interlock, ...) holds the output off
	bool measured; // the measurement that was started last has ended; what follows is its result
	bool over;     // a converter was at its end: v or i is clipped
	real v, i;     // V, A; i is positive out of the channel. Corrected: what the calibration says
};

// 5. hw_look tells how a channel stands. It is called in every turn of the
// loop and must not wait.
void hw_look(int channel, Look &look);

// 6. hw_millis is a clock in milliseconds that runs from power on and wraps
// around at 2^32. The watchdog lives from it: it must run on its own, not be
// counted by anything that waits for the host.
uint32_t hw_millis();

#endif
