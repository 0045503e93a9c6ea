// What the channels do: settings, outputs, paths.
// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#include <string.h>

#include "card.h"

namespace {

const real shortest_aperture = real(10e-6), longest_aperture = 10; // s
const int most_apertures = 1000;

real magnitude(real x) { return x < 0 ? -x : x; }

// A level computed as the full scale may exceed it in the last bits.
const real slack = sizeof(real) > 4 ? real(1e-12) : real(1e-6);
bool holds(real full, real x) { return magnitude(x) <= full * (1 + slack); }

real largest(const Ranges &r) { return r.full[r.count - 1]; }

// smallest is the smallest range that holds x; 0 where none does.
real smallest(const Ranges &r, real x) {
	for (int i = 0; i < r.count; i++) {
		if (holds(r.full[i], x)) return r.full[i];
	}
	return 0;
}

Quantity other(Quantity q) { return q == VOLT ? CURR : VOLT; }
Symbol symbol_of(int q) { return q == VOLT ? volts : amperes; }

} // namespace

// reset is *RST. The error queue and the enables stay.
void Card::reset() {
	make_safe();
	for (int i = 0; i < CHANNELS; i++) {
		const ChannelFacts &facts = hw_facts.channel[i];
		Channel &c = channel_[i];
		memset(&c, 0, sizeof c);
		c.now.forced = VOLT;
		for (int q = 0; q < 2; q++) {
			c.now.range[q] = largest(facts.force[q]);
			c.now.sense[q] = largest(facts.sense[q]);
		}
		c.now.aperture = real(0.02);
		c.now.count = 1;
		c.next = c.now;
		hw_force(i + 1, setup_of(c.now, false));
	}
	fresh_ = false;
}

// make_safe takes all outputs to zero and off, and then opens all paths.
void Card::make_safe() {
	for (int i = 0; i < CHANNELS; i++) {
		Channel &c = channel_[i];
		c.now.level[VOLT] = c.now.level[CURR] = 0;
		c.on = c.at_limit = false;
		hw_force(i + 1, setup_of(c.now, false));
	}
	forget_next();
	for (int line = 0; line < LINES; line++) {
		for (int contact = 0; contact < CONTACTS; contact++) {
			if (is_closed(line, contact + 1)) move(line, contact + 1, false);
		}
	}
	memset(closed_, 0, sizeof closed_); // the bits beyond the last path
}

// --- settings ---

Setup Card::setup_of(const Settings &s, bool on) {
	Setup setup;
	memset(&setup, 0, sizeof setup);
	setup.on = on;
	setup.forces_current = s.forced == CURR;
	setup.remote = s.remote;
	setup.level = s.level[s.forced];
	setup.range = s.range[s.forced];
	setup.limit = s.protection[other(s.forced)];
	setup.sense[VOLT] = s.sense[VOLT];
	setup.sense[CURR] = s.sense[CURR];
	return setup;
}

void Card::forget_next() {
	for (Channel &c : channel_) c.next = c.now;
	changed_ = false;
}

// fits_together: what is set for the quantity that is forced, and the limit of
// the other one, which there must be while the output is on.
bool Card::fits_together(const Channel &c) {
	const Settings &s = c.next;
	const Quantity limited = other(s.forced);
	if (!holds(s.range[s.forced], s.level[s.forced])) return false;
	if (s.protection[limited] == 0) return !c.on;
	return holds(s.sense[limited], s.protection[limited]);
}

// take_effect makes the coupled settings that were gathered take effect, all
// of them or, with an error number, none.
int Card::take_effect() {
	if (!changed_) return 0;
	int error = 0;
	for (const Channel &c : channel_) {
		if (!fits_together(c)) error = -221;
	}
	int n = 0;
	for (; n < CHANNELS && error == 0; n++) {
		const Channel &c = channel_[n];
		const Setup now = setup_of(c.now, true), next = setup_of(c.next, true);
		if (c.on && memcmp(&now, &next, sizeof now) != 0 && !hw_force(n + 1, next)) {
			error = -221;
			break;
		}
	}
	if (error != 0) {
		while (n-- > 0) { // those that were changed before one refused
			if (channel_[n].on) hw_force(n + 1, setup_of(channel_[n].now, true));
		}
		forget_next();
		return error;
	}
	for (Channel &c : channel_) c.now = c.next;
	changed_ = false;
	return 0;
}

// change is where the settings of a channel are gathered.
Card::Settings &Card::change(const Unit &u) {
	changed_ = true;
	return channel_[u.suffix - 1].next;
}

// now are the settings of a channel that are in effect.
const Card::Settings &Card::now(const Unit &u) const { return channel_[u.suffix - 1].now; }

void Card::force_mode(Unit &u) {
	static const char *const words[] = {"VOLTage", "CURRent"};
	int which;
	if (u.query) {
		if (!end_of_parameters(u)) return;
		begin_answer();
		put(now(u).forced == CURR ? "CURR" : "VOLT");
	} else if (word(u, words, 2, which) && end_of_parameters(u)) {
		change(u).forced = which == 1 ? CURR : VOLT;
	}
}

// The arg of the settings below is the quantity.

void Card::force_level(Unit &u) {
	const real most = largest(hw_facts.channel[u.suffix - 1].force[u.arg]);
	const real full = channel_[u.suffix - 1].next.range[u.arg];
	const Bounds bounds = {-full, full, 0};
	real x;
	if (u.query) {
		answer_real(u, now(u).level[u.arg]);
	} else if (number(u, symbol_of(u.arg), &bounds, x) && end_of_parameters(u)) {
		if (!holds(most, x)) u.fail(-222);
		else change(u).level[u.arg] = x;
	}
}

void Card::answer_real(Unit &u, real x) {
	if (!end_of_parameters(u)) return;
	begin_answer();
	put_real(x, 0);
}

// range reads or answers a full scale: the smallest that holds what is asked.
void Card::range(Unit &u, const Ranges &ranges, real (Settings::*full)[2]) {
	real x;
	if (u.query) {
		answer_real(u, (now(u).*full)[u.arg]);
	} else if (number(u, symbol_of(u.arg), 0, x) && end_of_parameters(u)) {
		const real found = smallest(ranges, x);
		if (found == 0) u.fail(-222);
		else (change(u).*full)[u.arg] = found;
	}
}

void Card::force_range(Unit &u) { range(u, hw_facts.channel[u.suffix - 1].force[u.arg], &Settings::range); }
void Card::sense_range(Unit &u) { range(u, hw_facts.channel[u.suffix - 1].sense[u.arg], &Settings::sense); }

void Card::sense_place(Unit &u) {
	static const char *const words[] = {"INTernal", "EXTernal"};
	int which;
	if (u.query) {
		if (!end_of_parameters(u)) return;
		begin_answer();
		put(now(u).remote ? "EXT" : "INT");
	} else if (word(u, words, 2, which) && end_of_parameters(u)) {
		if (which == 1 && !hw_facts.channel[u.suffix - 1].sense_terminals) u.fail(-241);
		else change(u).remote = which == 1;
	}
}

void Card::protection(Unit &u) {
	real x;
	if (u.query) {
		answer_real(u, now(u).protection[u.arg]);
	} else if (number(u, symbol_of(u.arg), 0, x) && end_of_parameters(u)) {
		if (!(x > 0) || !holds(largest(hw_facts.channel[u.suffix - 1].sense[u.arg]), x)) u.fail(-222);
		else change(u).protection[u.arg] = x;
	}
}

void Card::aperture(Unit &u) {
	real x;
	if (u.query) {
		answer_real(u, now(u).aperture);
	} else if (number(u, seconds, 0, x) && end_of_parameters(u)) {
		if (!(x >= shortest_aperture && x <= longest_aperture)) u.fail(-222);
		else change(u).aperture = x;
	}
}

void Card::average_count(Unit &u) {
	long n;
	if (u.query) {
		answer_integer(u, now(u).count);
	} else if (whole(u, 1, most_apertures, n) && end_of_parameters(u)) {
		change(u).count = static_cast<int>(n);
	}
}

void Card::answer_integer(Unit &u, long n) {
	if (!end_of_parameters(u)) return;
	begin_answer();
	put_integer(n);
}

void Card::average_state(Unit &u) {
	Channel &c = channel_[u.suffix - 1];
	bool on;
	if (u.query) answer_integer(u, c.average);
	else if (boolean(u, on) && end_of_parameters(u)) c.average = on;
}

// --- outputs ---

// limit_reached is SENSe:CURRent:PROTection:TRIPped? and the same of VOLTage:
// the quantity is limited, and at its limit now.
void Card::limit_reached(Unit &u) {
	look_at_channels();
	answer_integer(u, channel_[u.suffix - 1].at_limit && now(u).forced != u.arg);
}

// trip is SOURce:CURRent:PROTection:TRIPped? and :CLEar.
void Card::trip(Unit &u) {
	Channel &c = channel_[u.suffix - 1];
	look_at_channels();
	if (u.query) {
		answer_integer(u, c.tripped);
	} else if (end_of_parameters(u)) {
		c.tripped = false;
		if (!c.on) hw_force(u.suffix, setup_of(c.now, false)); // its latch lets go
	}
}

void Card::output(Unit &u) {
	Channel &c = channel_[u.suffix - 1];
	bool on;
	if (u.query) {
		look_at_channels();
		answer_integer(u, c.on);
		return;
	}
	if (!boolean(u, on) || !end_of_parameters(u)) return;
	if (!on) {
		c.on = c.at_limit = false;
		hw_force(u.suffix, setup_of(c.now, false));
		return;
	}
	if (c.on) return;
	const Setup setup = setup_of(c.now, true);
	if (c.tripped || setup.limit == 0 || !hw_force(u.suffix, setup)) u.fail(-221);
	else c.on = true;
}
