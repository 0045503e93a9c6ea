// Paths: ROUTe.
// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#include <string.h>

#include "card.h"

namespace {

// Paths are bits, line by line and in a line contact by contact from 1.
int place(int line, int contact) { return line * CONTACTS + contact - 1; }
bool has(const uint8_t *bits, int n) { return (bits[n / 8] >> (n % 8) & 1) != 0; }
void add(uint8_t *bits, int n) { bits[n / 8] = static_cast<uint8_t>(bits[n / 8] | 1 << n % 8); }

bool is_path(int line, int contact) {
	return line >= 0 && line < LINES && contact >= 1 && contact <= CONTACTS && hw_mux(line, contact) > 0;
}

const int settling = 1 << 1; // of the operation status

// read_paths reads a list in which every item is a path.
bool read_paths(Unit &u, List &list) {
	if (!list.read(u) || !end_of_parameters(u)) return false;
	List items = list;
	int line, contact;
	while (items.next(line, contact)) {
		if (!is_path(line, contact)) return u.fail(-222);
	}
	return true;
}

} // namespace

bool Card::is_closed(int line, int contact) const { return has(closed_, place(line, contact)); }

// move opens or closes a path; what comes next waits until it has settled.
void Card::move(int line, int contact, bool closed) {
	const int n = place(line, contact);
	hw_switch(line, contact, closed);
	if (closed) add(closed_, n);
	else closed_[n / 8] = static_cast<uint8_t>(closed_[n / 8] & ~(1 << n % 8));
	waiting_ = for_switches;
	operation_.set(settling);
	since_ = hw_millis();
}

// is_taken: another path among those wanted is on the same multiplexer.
bool Card::is_taken(int line, int contact, const uint8_t *wanted) const {
	const int mux = hw_mux(line, contact);
	for (int l = 0; l < LINES; l++) {
		for (int c = 1; c <= CONTACTS; c++) {
			const bool same = l == line && c == contact;
			if (!same && has(wanted, place(l, c)) && hw_mux(l, c) == mux) return true;
		}
	}
	return false;
}

// route_close is ROUTe:CLOSe and its query.
void Card::route_close(Unit &u) {
	List list;
	if (!read_paths(u, list)) return;
	int line, contact;
	List items = list;
	if (u.query) {
		begin_answer();
		for (bool first = true; items.next(line, contact); first = false) {
			put(first ? "" : ",");
			put_integer(is_closed(line, contact));
		}
		return;
	}
	uint8_t wanted[PATH_BYTES];
	memcpy(wanted, closed_, sizeof wanted);
	while (items.next(line, contact)) {
		const int n = place(line, contact);
		if (has(wanted, n)) continue;
		if (is_taken(line, contact, wanted)) {
			u.fail(-221);
			return;
		}
		add(wanted, n);
	}
	for (items = list; items.next(line, contact);) {
		if (!is_closed(line, contact)) move(line, contact, true);
	}
}

// route_open is ROUTe:OPEN, and with arg 1 ROUTe:OPEN:ALL.
void Card::route_open(Unit &u) {
	int line, contact;
	if (u.arg == 1) {
		if (!end_of_parameters(u)) return;
		for (line = 0; line < LINES; line++) {
			for (contact = 1; contact <= CONTACTS; contact++) {
				if (is_closed(line, contact)) move(line, contact, false);
			}
		}
		return;
	}
	List list;
	if (!read_paths(u, list)) return;
	while (list.next(line, contact)) {
		if (is_closed(line, contact)) move(line, contact, false);
	}
}

// route_state is ROUTe:CLOSe:STATe?.
void Card::route_state(Unit &u) {
	if (!end_of_parameters(u)) return;
	begin_answer();
	put("(@");
	bool first = true;
	for (int line = 0; line < LINES; line++) {
		for (int contact = 1; contact <= CONTACTS; contact++) {
			if (!is_closed(line, contact)) continue;
			if (!first) put(",");
			first = false;
			put_integer(line);
			put("!");
			put_integer(contact);
		}
	}
	put(")");
}
