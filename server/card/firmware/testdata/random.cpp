// Feeds a card with random messages and bytes in simulated time, behind
// hardware that watches what it is told. Arguments: seed, number of pieces.
// What must never happen ends the program with words and status 1.
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "card.h"

static uint64_t state;

static uint32_t pick(uint32_t n) { // 0..n-1; a 64-bit linear congruential generator
	state = state * 6364136223846793005ull + 1442695040888963407ull;
	return uint32_t(state >> 33) % n;
}

static uint32_t now; // ms
static Setup setups[CHANNELS + 1];
static bool closed[LINES][CONTACTS + 1], tripped[CHANNELS + 1], under_way[CHANNELS + 1];
static uint32_t ready[CHANNELS + 1], opened;
static char last; // the first character of the last answer
static long energised, lines, readings, cuts;

static void never(const char *what) {
	printf("never: %s\n", what);
	exit(1);
}

static void want(bool right, const char *what) {
	if (!right) never(what);
}

static const real volts_full[] = {2, 10}, amperes_full[] = {real(1e-6), real(1e-3), real(0.1)};
static const Ranges voltage = {volts_full, 2}, current = {amperes_full, 3};
const Facts hw_facts = {"maker", "model", "1", "2", 2000, 3, {{{voltage, current}, {voltage, current}, true}, {{voltage, current}, {voltage, current}, false}}};

static bool is_one(const Ranges &r, real x) {
	for (int i = 0; i < r.count; i++) {
		if (r.full[i] == x) return true;
	}
	return false;
}

bool hw_force(int channel, const Setup &s) {
	want(channel >= 1 && channel <= CHANNELS, "a channel that is not there");
	if (!s.on) {
		setups[channel] = s;
		tripped[channel] = false;
		return true;
	}
	const Quantity forced = s.forces_current ? CURR : VOLT, other = s.forces_current ? VOLT : CURR;
	const ChannelFacts &f = hw_facts.channel[channel - 1];
	want(s.limit > 0, "an output on without a limit");
	want(is_one(f.force[forced], s.range) && is_one(f.sense[0], s.sense[0]) && is_one(f.sense[1], s.sense[1]), "a range that is not there");
	want(s.level <= s.range * real(1.001) && s.level >= -s.range * real(1.001), "a level beyond its range");
	want(s.limit <= s.sense[other] * real(1.001), "a limit beyond what is sensed");
	want(!s.remote || f.sense_terminals, "sense terminals that are not there");
	if (pick(16) == 0 || tripped[channel]) return false; // it may refuse
	setups[channel] = s;
	energised++;
	return true;
}

int hw_mux(int line, int contact) {
	if (contact < 1 || contact > CONTACTS || line < 0 || line >= LINES || (line == 2 && contact == 9)) return 0;
	return line == 0 ? 100 + contact : 10 * line + (contact - 1) / 8;
}

void hw_switch(int line, int contact, bool close) {
	const int mux = hw_mux(line, contact);
	want(mux > 0 || !close, "a path that is not there");
	if (!close) {
		if (closed[line][contact]) opened = now;
		closed[line][contact] = false;
		return;
	}
	want(now - opened >= hw_facts.switch_ms, "a path closed before those that were opened have settled");
	for (int l = 0; l < LINES; l++) {
		for (int c = 1; c <= CONTACTS; c++) want(!closed[l][c] || hw_mux(l, c) != mux, "two paths of one multiplexer");
	}
	closed[line][contact] = true;
	energised++;
}

void hw_measure(const real aperture[CHANNELS]) {
	for (int c = 1; c <= CHANNELS; c++) {
		under_way[c] = aperture[c - 1] > 0;
		want(aperture[c - 1] == 0 || (aperture[c - 1] >= real(9.9e-6) && aperture[c - 1] <= real(10.1)), "an aperture beyond its limits");
		ready[c] = now + uint32_t(aperture[c - 1] * 1000);
		if (under_way[c]) readings++;
	}
}

void hw_look(int channel, Look &look) {
	look.tripped = tripped[channel];
	look.at_limit = pick(4) == 0;
	look.measured = under_way[channel] && int32_t(now - ready[channel]) >= 0;
	look.v = real(pick(1000)) / 7;
	look.i = -real(pick(1000)) / real(3e9);
}

uint32_t hw_millis() { return now; }

static void receive(void *, const char *bytes, int length) {
	want(length > 1 && length <= OUTPUT_SIZE && bytes[length - 1] == '\n', "an answer that is no line");
	for (int i = 0; i < length - 1; i++) want(bytes[i] >= ' ' && bytes[i] <= '~', "an answer with other characters");
	lines++;
	last = bytes[0];
}

static const char *const pieces[] = {
	"\n", "\n", "\n", "\n", "\r\n", ";", ";:", ":", " ", "?", ",", "*RST", "*CLS", "*ESR?", "*STB?", "*OPC?", "*IDN?;*OPT?", "*ESE 5", "*SRE #HFF",
	"SYST:ERR?", "SYST:ERR:COUN?", "STAT:OPER?", "STAT:QUES:ENAB 3", "STAT:PRES", "SOUR1:", "SOUR2:", "SENS1:", "SENS2:CURR:DC:", "FUNC:MODE CURR", "FUNC:MODE VOLT",
	"VOLT 1.5", "VOLT -10", "VOLT MAX", "CURR 1E-3", "CURR -2UA", "VOLT:RANG 2", "CURR:RANG 1E-3", "RANG 0.1", "LEV?", "VOLT:ALC:SOUR EXT",
	"SENS:CURR:PROT 1E-3", "\nSENS2:CURR:PROT 1E-3\n", "SENS:VOLT:PROT 2", "PROT 1E-6", "PROT:TRIP?", "SOUR:CURR:PROT:CLE", "SOUR2:CURR:PROT:TRIP?", "SENS:CURR:APER 1E-3", "VOLT:APER 10", "VOLT:APER 0.01", "VOLT:APER 1E-5", "AVER:COUN 7", "SENS:AVER ON",
	"\nOUTP ON\n", "\nOUTP2 ON\n", "OUTP OFF", "OUTP?", "\nSENS:CURR:RANG 0.1;PROT 0.01;:OUTP ON\n", "\nREAD?\n", "READ? (@1,2,1)", "FETC?", "ABOR", "\nABOR;*RST\n", "\nABOR\n",
	"\nROUT:CLOS (@1!1)\n", "\nROUT:CLOS (@2!30,0!3)\n", "\nROUT:CLOS (@1!5:2!1)\n", "ROUT:OPEN (@1!1:1!12)", "ROUT:OPEN:ALL", "ROUT:CLOS:STAT?", "ROUT:CLOS? (@0!1:2!32)", "\nROUT:OPEN (@1!1);CLOS (@1!2)\n",
	"(@1)", "(@", ")", "1e400", "9.91E37", "\"", "'", "0.00001", "99999999999999999999", "#B101", "12 MV", "e", "MIN", "ABCDEFGHIJKLM",
};

static void feed(Card &card, const char *text) {
	for (; *text != 0; text++) card.feed(*text);
}

static void pass(Card &card, uint32_t ms) {
	for (; ms > 0; ms--) {
		now++;
		card.tick();
	}
}

// silence is what the watchdog is there for.
static void silence(Card &card) {
	feed(card, "\nABOR\n"); // a long reading is no silence
	cuts++;
	pass(card, hw_facts.watchdog_ms + 2 * hw_facts.switch_ms + 3);
	for (int c = 1; c <= CHANNELS; c++) want(!setups[c].on, "an output on after the watchdog's time");
	for (int l = 0; l < LINES; l++) {
		for (int c = 1; c <= CONTACTS; c++) want(!closed[l][c], "a path closed after the watchdog's time");
	}
	want(card.is_safe() && card.is_idle(), "a card that is not at rest after the watchdog's time");
}

int main(int count, char **arguments) {
	if (count != 3) return 2;
	state = strtoull(arguments[1], 0, 10);
	long left = strtol(arguments[2], 0, 10);
	memset(closed, 1, sizeof closed); // as a circuit might be at power on
	static Card card(receive, 0);
	now = 0xfffff000u; // soon the clock wraps around
	card.start();
	pass(card, 10);
	feed(card, "*ESE 7");
	card.hang_up();
	feed(card, "*ESE?;*CLS\n");
	want(last == '0', "the beginning of a message of the host before");
	for (; left > 0; left--) {
		switch (pick(24)) {
		case 0:
			card.feed(char(pick(256)));
			break;
		case 1:
			card.feed(char(' ' + pick(95)));
			break;
		case 2:
			pass(card, pick(100) == 0 ? 12000 : pick(30));
			break;
		case 3:
			if (pick(8) == 0) tripped[1 + pick(CHANNELS)] = true;
			break;
		case 4:
			if (pick(200) == 0) silence(card);
			if (pick(300) == 0) {
				for (int n = int(pick(3000)); n > 0; n--) card.feed(char(' ' + pick(95)));
			}
			break;
		default:
			feed(card, pieces[pick(sizeof pieces / sizeof pieces[0])]);
			if (pick(3) > 0) card.feed(pick(4) > 0 ? '\n' : ';');
		}
		card.tick();
	}
	silence(card);
	printf("%ld settings and paths switched on, %ld lines, %ld measurements, %ld silences\n", energised, lines, readings, cuts);
	return energised > 0 && lines > 0 && readings > 0 ? 0 : 3;
}
