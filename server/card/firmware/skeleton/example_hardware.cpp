// The six functions of a card that is not there: two channels, 96 paths, a
// resistor of 1 kOhm from contact 1 to the return and one of 10 kOhm from
// contact 2. Replace this file by one for your circuit.
// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#include <string.h>
#include <time.h>

#include "hardware.h"

#ifndef EXAMPLE_WATCHDOG_MS
#define EXAMPLE_WATCHDOG_MS 2000
#endif

namespace {

const real full_volts[] = {2, 10};
const real full_amperes[] = {real(1e-6), real(10e-6), real(100e-6), real(1e-3), real(10e-3), real(100e-3)};
const Ranges voltage = {full_volts, 2}, current = {full_amperes, 6};

const real on_resistance = 4; // ohms, of a closed path
const int ways = 16;          // contacts of a multiplexer

// What the circuit would hold.
Setup setups[CHANNELS + 1];
bool closed[LINES][CONTACTS + 1];
bool tripped[CHANNELS + 1];
uint64_t ready[CHANNELS + 1]; // when the measurement ends, us
bool under_way[CHANNELS + 1];

// micros is the PC's clock, us.
uint64_t micros() {
	timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return static_cast<uint64_t>(t.tv_sec) * 1000000u + static_cast<uint64_t>(t.tv_nsec / 1000);
}

// load is the conductance that a channel sees through its paths, S. The
// channels do not see each other: it is a simulation for trying the protocol.
real load(int channel) {
	real siemens = 0;
	for (int contact = 1; contact <= CONTACTS; contact++) {
		if (!closed[channel][contact]) continue;
		const real ohms = contact == 1 ? 1000 : 10000;
		real at_contact = contact <= 2 ? 1 / ohms : 0;
		if (closed[0][contact]) at_contact += 1 / on_resistance;
		if (at_contact > 0) siemens += 1 / (on_resistance + 1 / at_contact);
	}
	return siemens;
}

// clip holds x within plus and minus limit.
bool clip(real &x, real limit) {
	const real before = x;
	if (x > limit) x = limit;
	if (x < -limit) x = -limit;
	return x != before;
}

void solve(int channel, Look &look) {
	const Setup &s = setups[channel];
	if (!s.on) return;
	const real g = load(channel);
	if (s.forces_current) {
		look.v = s.level == 0 ? 0 : g > 0 ? s.level / g : s.level > 0 ? 2 * s.limit : -2 * s.limit;
		look.at_limit = clip(look.v, s.limit);
		look.i = look.at_limit ? look.v * g : s.level;
	} else {
		look.i = s.level * g;
		look.at_limit = clip(look.i, s.limit);
		look.v = look.at_limit ? look.i / g : s.level;
	}
	const bool over_v = clip(look.v, s.sense[VOLT] * real(1.05));
	look.over = clip(look.i, s.sense[CURR] * real(1.05)) || over_v;
}

} // namespace

const Facts hw_facts = {
	"Ohmkeep", "Rehearsal skeleton", "0", "1",
	EXAMPLE_WATCHDOG_MS, 2,
	{
		{{voltage, current}, {voltage, current}, true},
		{{voltage, current}, {voltage, current}, false},
	},
};

bool hw_force(int channel, const Setup &setup) {
	if (setup.on && tripped[channel]) return false;
	if (!setup.on) tripped[channel] = false;
	setups[channel] = setup;
	return true;
}

int hw_mux(int line, int contact) {
	if (contact < 1 || contact > CONTACTS) return 0;
	if (line == 0) return 100 + contact; // a switch of its own
	return 10 * line + (contact - 1) / ways;
}

void hw_switch(int line, int contact, bool close) { closed[line][contact] = close; }

void hw_measure(const real aperture[CHANNELS]) {
	const uint64_t now = micros();
	for (int channel = 1; channel <= CHANNELS; channel++) {
		const real seconds = aperture[channel - 1];
		// One aperture follows the other without a gap, however slowly the loop turns.
		const bool follows = under_way[channel] && now - ready[channel] < 20000;
		under_way[channel] = seconds > 0;
		ready[channel] = (follows ? ready[channel] : now) + static_cast<uint64_t>(seconds * 1000000 + real(0.5));
	}
}

void hw_look(int channel, Look &look) {
	solve(channel, look);
	look.tripped = tripped[channel];
	look.measured = under_way[channel] && micros() >= ready[channel];
}

uint32_t hw_millis() { return static_cast<uint32_t>(micros() / 1000); }

// example_trip is what a protection of the circuit would do by itself.
void example_trip(int channel) {
	setups[channel].on = false;
	tripped[channel] = true;
}
