// READ?, FETCh? and ABORt. A reading is under way while the loop turns.
// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#include <string.h>

#include "card.h"

namespace {

// Bits of a reading's status.
const int at_limit = 1, over_range = 2, output_on = 4, has_error = 8;

const int measuring = 1 << 4; // of the operation status

// late is how much longer than its aperture a measurement may take, ms.
const uint32_t late = 1000;

} // namespace

// read is READ? [<channel list>].
void Card::read(Unit &u) {
	uint8_t order[READ_ITEMS] = {1};
	int items = 1;
	if (has_parameters(u)) {
		List list;
		if (!list.read(u) || !end_of_parameters(u)) return;
		int n, second;
		for (items = 0; list.next(n, second); items++) {
			if (n < 1 || n > CHANNELS || second >= 0) u.fail(-222);
			else if (items == READ_ITEMS) u.fail(-223);
			if (u.error != 0) return;
			order[items] = static_cast<uint8_t>(n);
		}
	}
	look_at_channels(); // what was at its limit before is no part of the reading
	memcpy(order_, order, sizeof order_);
	items_ = items;
	fresh_ = false;
	for (int i = 0; i < items_; i++) {
		Channel &c = channel_[order_[i] - 1];
		memset(&c.reading, 0, sizeof c.reading);
		c.left = c.average ? c.now.count : 1;
	}
	operation_.set(measuring);
	waiting_ = for_reading;
	start_round();
}

// start_round starts one aperture on every channel that needs another.
void Card::start_round() {
	real apertures[CHANNELS], longest = 0;
	for (int n = 0; n < CHANNELS; n++) {
		const Channel &c = channel_[n];
		apertures[n] = c.left > 0 ? c.now.aperture : 0;
		if (apertures[n] > longest) longest = apertures[n];
	}
	since_ = hw_millis();
	within_ = static_cast<uint32_t>(longest * 1000) + late;
	for (Channel &c : channel_) c.measured = c.left == 0;
	hw_measure(apertures);
}

// watch_reading takes in what has been measured. True: an aperture has ended
// on all channels.
bool Card::watch_reading() {
	bool all = true;
	for (int n = 1; n <= CHANNELS; n++) {
		Channel &c = channel_[n - 1];
		if (c.measured) continue;
		Look look;
		memset(&look, 0, sizeof look);
		hw_look(n, look);
		if (c.at_limit || (c.on && look.at_limit)) c.reading.status |= at_limit; // in this turn
		if (!look.measured) {
			all = false;
			continue;
		}
		c.measured = true;
		c.reading.v += look.v;
		c.reading.i += look.i;
		if (look.over) c.reading.status |= over_range;
	}
	if (all) {
		end_round();
	} else if (hw_millis() - since_ > within_) {
		stop_reading();
		queue_error(-240, "the converters do not answer");
		skip_rest();
	}
	return all;
}

void Card::end_round() {
	bool more = false;
	for (Channel &c : channel_) {
		if (c.left > 0) c.left--;
		more = more || c.left > 0;
	}
	if (more) {
		start_round();
		return;
	}
	stop_reading();
	for (Channel &c : channel_) {
		const real count = real(c.average ? c.now.count : 1);
		c.reading.v /= count;
		c.reading.i /= count;
		c.reading.level = c.now.level[c.now.forced];
		if (c.on) c.reading.status |= output_on;
		if (errors_ > 0) c.reading.status |= has_error;
	}
	fresh_ = true;
	put_readings();
}

// stop_reading ends the reading under way, complete or not.
void Card::stop_reading() {
	static const real none[CHANNELS] = {0};
	for (Channel &c : channel_) c.left = 0;
	hw_measure(none);
	operation_.set(0);
	waiting_ = for_nothing;
}

// put_readings answers with v,i,status,level of each channel in the order asked.
void Card::put_readings() {
	const int before = out_used_;
	begin_answer();
	for (int i = 0; i < items_; i++) {
		const Reading &r = channel_[order_[i] - 1].reading;
		if (i > 0) put(",");
		put_real(r.v, READING_DIGITS);
		put(",");
		put_real(r.i, READING_DIGITS);
		put(",");
		put_integer(r.status);
		put(",");
		put_real(r.level, 0);
	}
	if (!out_full_) return;
	out_full_ = false;
	out_used_ = before;
	queue_error(-430);
	skip_rest();
}

void Card::fetch(Unit &u) {
	if (!end_of_parameters(u)) return;
	if (!fresh_) u.fail(-230);
	else put_readings();
}

// abort is ABORt. A reading that was under way when the message came has been
// ended by then.
void Card::abort(Unit &u) { end_of_parameters(u); }
