// The loop: bytes in, messages one after the other, answers out, the watchdog.
// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#include "card.h"

#include <string.h>

Card::Card(Send send, void *context) : send_(send), context_(context) {
	memset(channel_, 0, sizeof channel_);
	memset(closed_, 0, sizeof closed_);
	stored_ = fill_ = trouble_ = at_ = out_used_ = items_ = errors_ = 0;
	cr_ = begun_ = changed_ = out_full_ = fresh_ = false;
	path_.length = 0;
	waiting_ = for_nothing;
	heard_ = since_ = within_ = 0;
	event_status_ = event_enable_ = service_enable_ = 0;
	memset(&operation_, 0, sizeof operation_);
	memset(&questionable_, 0, sizeof questionable_);
}

void Card::start() {
	event_status_ = 1 << 7; // power on
	memset(closed_, 0xff, sizeof closed_); // nothing is known: open all of them
	reset();
	heard_ = hw_millis();
}

bool Card::is_safe() const {
	for (const Channel &c : channel_) {
		if (c.on) return false;
	}
	for (uint8_t bits : closed_) {
		if (bits != 0) return false;
	}
	return true;
}

// --- messages in ---

// In place of a message that is dropped, one byte that no message may have is
// kept, so that its error is queued in its turn.
static const char marks[] = {1, 2};
static const int troubles[] = {-101, -363};
static const int of_mark = 2; // bytes, with its LF

// end_of_line is behind the LF of the message that begins at `at`.
static int end_of_line(const char *in, int at) {
	while (in[at] != '\n') at++;
	return at + 1;
}

void Card::feed(char byte) {
	const bool was_cr = cr_;
	cr_ = byte == '\r';
	if (byte == '\n') {
		end_of_message();
		return;
	}
	if (trouble_ == 0 && was_cr) trouble_ = -101; // a CR that was not at the end
	if (cr_ || trouble_ != 0) return;
	if (byte != '\t' && (byte < ' ' || byte > '~')) {
		trouble_ = -101;
	} else if (fill_ - stored_ >= MESSAGE_SIZE - 1) {
		trouble_ = -363;
	} else {
		make_room();
		in_[fill_++] = byte;
		return;
	}
	fill_ = stored_;
}

void Card::hang_up() {
	fill_ = stored_;
	trouble_ = 0;
	cr_ = false;
}

// make_room sees to it that a byte and the end of its message, or a mark, can
// be kept. Where a host sent too much without waiting, what waits is lost, and
// not what comes: that may be urgent.
void Card::make_room() {
	if (fill_ + 1 + of_mark <= INPUT_SIZE) return;
	const int first = end_of_line(in_, 0), coming = fill_ - stored_;
	memmove(in_ + first + of_mark, in_ + stored_, static_cast<size_t>(coming));
	in_[first] = marks[1];
	in_[first + 1] = '\n';
	stored_ = first + of_mark;
	fill_ = stored_ + coming;
}

void Card::end_of_message() {
	cr_ = false;
	if (trouble_ != 0) {
		keep_trouble();
	} else {
		int blank = stored_;
		while (blank < fill_ && (in_[blank] == ' ' || in_[blank] == '\t')) blank++;
		if (blank == fill_) { // an empty line is nothing
			fill_ = stored_;
			return;
		}
		in_[fill_++] = '\n';
		stored_ = fill_;
	}
	heard_ = hw_millis();
	if (waiting_ != for_nothing) cut();
	work();
}

// keep_trouble keeps the mark of a message that was dropped.
void Card::keep_trouble() {
	const int which = trouble_ == troubles[0] ? 0 : 1;
	trouble_ = 0;
	fill_ = stored_;
	make_room();
	in_[fill_++] = marks[which];
	in_[fill_++] = '\n';
	stored_ = fill_;
}

// cut ends what is under way when a message has come that is urgent: that is
// dropped, with all that waits before the urgent one. What a host asked for
// before it cried stop must not come after.
void Card::cut() {
	int at = end_of_line(in_, 0), urgent = 0;
	while (at < stored_) {
		const int next = end_of_line(in_, at);
		if (is_urgent(in_ + at, next - 1 - at)) {
			urgent = at;
			break;
		}
		at = next;
	}
	if (urgent == 0) return;
	if (waiting_ == for_reading) stop_reading();
	forget_next();
	out_used_ = 0;
	memmove(in_, in_ + urgent, static_cast<size_t>(fill_ - urgent));
	stored_ -= urgent;
	fill_ -= urgent;
	begun_ = false;
}

// --- messages carried out ---

// work carries out what has come, until a unit has to wait.
void Card::work() {
	while (waiting_ == for_nothing && (begun_ || stored_ > 0)) {
		if (!begun_) begin_message();
		else if (in_[at_] == '\n') finish_message();
		else next_unit();
		if (waiting_ != for_nothing) cut(); // the urgent message may be here already
	}
}

void Card::begin_message() {
	begun_ = true;
	at_ = 0;
	path_.length = 0;
	out_used_ = 0;
	for (int i = 0; i < 2; i++) {
		if (in_[0] != marks[i]) continue;
		queue_error(troubles[i]);
		at_ = 1;
	}
}

void Card::next_unit() {
	const int line = end_of_line(in_, at_) - 1;
	const char *end = end_of_unit(in_ + at_, in_ + line);
	Unit u = {in_ + at_, end, false, 1, 0, 0, false};
	at_ = static_cast<int>(end - in_);
	char header[path_size];
	if (!read_header(u, path_, header)) {
		end_unit(u);
		return;
	}
	int found = -113; // undefined header
	for (int i = 0; i < command_count; i++) {
		const Command &c = commands[i];
		if ((c.forms & (u.query ? 2 : 1)) == 0) continue;
		const Match m = match_header(c.header, header, CHANNELS, u.suffix);
		if (m == differs_in_suffix) found = -114;
		if (m != fits) continue;
		u.arg = c.arg;
		// Coupled settings wait for each other; anything else for them.
		const bool coupled = (c.forms & 4) != 0 && !u.query;
		if (!coupled) u.error = take_effect();
		if (u.error == 0) {
			const int answers = out_used_;
			(this->*c.carry_out)(u);
			if (out_full_) u.fail(-430); // deadlocked: the answer does not fit
			if (u.error != 0) out_used_ = answers;
		}
		out_full_ = false;
		end_unit(u);
		return;
	}
	u.fail(found);
	end_unit(u);
}

// end_unit goes on behind the unit, or ends the message where it failed.
void Card::end_unit(const Unit &u) {
	if (u.error != 0) {
		queue_error(u.error);
		skip_rest();
	} else if (in_[at_] == ';') {
		at_++;
		if (in_[at_] == '\n') queue_error(-102); // nothing behind it
	}
}

// skip_rest: an error stops the message, and settings that wait for its end
// do not take effect.
void Card::skip_rest() {
	forget_next();
	at_ = end_of_line(in_, at_) - 1;
}

void Card::finish_message() {
	const int error = take_effect();
	if (error != 0) queue_error(error);
	if (out_used_ > 0) {
		out_[out_used_++] = '\n';
		send_(context_, out_, out_used_);
	}
	out_used_ = 0;
	const int length = at_ + 1;
	memmove(in_, in_ + length, static_cast<size_t>(fill_ - length));
	stored_ -= length;
	fill_ -= length;
	begun_ = false;
	heard_ = hw_millis();
}

// --- what goes on in time ---

void Card::tick() {
	look_at_channels();
	watch_host();
	if (waiting_ == for_switches) wait_for_switches();
	while (waiting_ == for_reading && watch_reading()) {} // several, where apertures are short
	work();
}

// look_at_channels takes in what the hardware did by itself.
void Card::look_at_channels() {
	int limits = 0;
	for (int n = 1; n <= CHANNELS; n++) {
		Channel &c = channel_[n - 1];
		Look look;
		memset(&look, 0, sizeof look);
		hw_look(n, look);
		c.at_limit = c.on && look.at_limit;
		if (c.on && look.tripped) {
			c.on = c.at_limit = false;
			c.tripped = true;
			hw_force(n, setup_of(c.now, false));
			queue_error(-240, "trip of channel ", n);
		}
		if (c.at_limit) limits |= c.now.forced == CURR ? 1 << VOLT : 1 << CURR;
	}
	questionable_.set(limits);
}

// watch_host is the watchdog: while anything is on or closed, a host that is
// silent is taken for gone.
void Card::watch_host() {
	if (begun_ || is_safe() || hw_millis() - heard_ < hw_facts.watchdog_ms) return;
	for (Channel &c : channel_) c.tripped = c.tripped || c.on;
	make_safe();
	queue_error(-365, "watchdog");
}

void Card::wait_for_switches() {
	if (hw_millis() - since_ <= hw_facts.switch_ms) return;
	operation_.set(0);
	waiting_ = for_nothing;
}

// --- answers ---

void Card::begin_answer() {
	if (out_used_ > 0) put(";");
}

void Card::put(const char *text, int length) {
	if (out_used_ + length >= OUTPUT_SIZE) { // the last byte is the LF's
		out_full_ = true;
		return;
	}
	memcpy(out_ + out_used_, text, static_cast<size_t>(length));
	out_used_ += length;
}

void Card::put(const char *text) { put(text, static_cast<int>(strlen(text))); }

void Card::put_integer(long n) {
	char text[24];
	put(text, format_integer(text, n));
}

void Card::put_real(real x, int digits) {
	char text[longest_number];
	put(text, format_real(text, x, digits));
}
