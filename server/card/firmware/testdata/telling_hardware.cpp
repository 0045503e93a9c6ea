// The example's hardware for tests: it tells on file descriptor 3 when the first
// output is switched on or path closed ('1') and when the last is off or open
// ('0'), so that a test waits for that and not for a time; and it takes its
// watchdog's time from the environment.
#include <stdlib.h>
#include <unistd.h>

#define EXAMPLE_WATCHDOG_MS told_watchdog()
static unsigned told_watchdog() {
	const char *ms = getenv("CARD_WATCHDOG_MS");
	return ms ? static_cast<unsigned>(atoi(ms)) : 2000;
}

#define hw_force example_force
#define hw_switch example_switch
#include "../skeleton/example_hardware.cpp"
#undef hw_force
#undef hw_switch

bool hw_force(int channel, const Setup &setup);
void hw_switch(int line, int contact, bool close);

static bool told = false;

static void tell() {
	bool live = false;
	for (int channel = 1; channel <= CHANNELS; channel++) live = live || setups[channel].on;
	for (int line = 0; line < LINES; line++)
		for (int contact = 1; contact <= CONTACTS; contact++) live = live || closed[line][contact];
	if (live == told) return;
	told = live;
	if (write(3, live ? "1" : "0", 1) != 1) _exit(3);
}

bool hw_force(int channel, const Setup &setup) {
	const bool done = example_force(channel, setup);
	tell();
	return done;
}

void hw_switch(int line, int contact, bool close) {
	example_switch(line, contact, close);
	tell();
}
