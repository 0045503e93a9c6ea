// Runs the card on a PC: on the terminal device named as argument, or on
// standard input and output. It says "ready" on standard error when it listens.
// It goes on when the host hangs up, until the watchdog has made everything
// safe. The signal USR1 trips channel 1.
// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include "card.h"

void example_trip(int channel);

namespace {

struct Streams {
	int in, out;
};

volatile sig_atomic_t trip_ordered = 0;

void order_trip(int) { trip_ordered = 1; }

void send(void *context, const char *bytes, int length) {
	const Streams *s = static_cast<const Streams *>(context);
	while (length > 0) {
		const ssize_t n = write(s->out, bytes, static_cast<size_t>(length));
		if (n > 0) {
			bytes += n;
			length -= static_cast<int>(n);
		} else if (n < 0 && errno != EINTR && errno != EAGAIN) {
			return; // the host is gone; the watchdog sees to the rest
		}
	}
}

// open_terminal opens a terminal device as a plain line for bytes.
bool open_terminal(const char *path, Streams &s) {
	termios t;
	s.in = s.out = open(path, O_RDWR | O_NOCTTY);
	if (s.in < 0 || tcgetattr(s.in, &t) != 0) return false;
	t.c_iflag = 0;
	t.c_oflag = 0;
	t.c_lflag = 0;
	t.c_cflag |= CLOCAL | CREAD | CS8;
	t.c_cc[VMIN] = 1;
	t.c_cc[VTIME] = 0;
	return tcsetattr(s.in, TCSANOW, &t) == 0;
}

// receive feeds the card what has come within a millisecond. False: the host
// has hung up.
bool receive(Card &card, const Streams &s) {
	pollfd p = {s.in, POLLIN, 0};
	if (poll(&p, 1, 1) <= 0) return true;
	char bytes[512];
	const ssize_t n = read(s.in, bytes, sizeof bytes);
	if (n < 0 && (errno == EINTR || errno == EAGAIN)) return true;
	for (ssize_t i = 0; i < n; i++) card.feed(bytes[i]);
	if (n <= 0) card.hang_up();
	return n > 0;
}

} // namespace

int main(int count, char **arguments) {
	static Streams streams = {0, 1};
	if (count > 1 && !open_terminal(arguments[1], streams)) return 1;
	signal(SIGUSR1, order_trip);
	signal(SIGPIPE, SIG_IGN);
	static Card card(send, &streams);
	card.start();
	if (write(2, "ready\n", 6) != 6) return 1;
	for (bool host = true; host || !card.is_idle() || !card.is_safe();) {
		if (host) host = receive(card, streams);
		else poll(0, 0, 1);
		if (trip_ordered) {
			trip_ordered = 0;
			example_trip(1);
		}
		card.tick();
	}
	return 0;
}
