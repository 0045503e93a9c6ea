// Channel lists.
// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#include "parse.h"

namespace {

// Numbers above the greatest are -222; more items than the most are -223.
const long greatest = 65535;
const long most_items = 1024;

// beyond stands for every number that no channel, line or contact has.
const int beyond = 32767;

void skip(const char *&p, const char *end) {
	while (p < end && (*p == ' ' || *p == '\t')) p++;
}

bool is_digit(char c) { return c >= '0' && c <= '9'; }

// read_one reads a number; it returns 0 or the number of an error.
int read_one(const char *&p, const char *end, int &n) {
	skip(p, end);
	if (p == end || !is_digit(*p)) return -171;
	long all = 0;
	for (; p < end && is_digit(*p); p++) {
		if (all <= greatest) all = 10 * all + (*p - '0');
	}
	skip(p, end);
	n = all < beyond ? static_cast<int>(all) : beyond;
	return all <= greatest ? 0 : -222;
}

// read_item reads 5 or 1!12.
int read_item(const char *&p, const char *end, int item[2]) {
	item[1] = -1;
	const int error = read_one(p, end, item[0]);
	if (error != 0 || p == end || *p != '!') return error;
	return read_one(++p, end, item[1]);
}

// span is how many numbers a range goes through.
long span(int from, int to) { return (from < to ? to - from : from - to) + 1L; }

} // namespace

bool List::read(Unit &u) {
	if (u.error != 0) return false;
	if (!has_parameters(u)) return u.fail(-109);
	if (*u.at != '(') return u.fail(-104);
	at_ = ++u.at;
	while (u.at < u.end && *u.at != ')') u.at++;
	if (u.at == u.end) return u.fail(-171);
	end_ = u.at++;
	u.begun = true;
	skip(at_, end_);
	if (at_ == end_ || *at_ != '@') return u.fail(-171);
	at_++;
	within_ = false;
	List copy = *this;
	for (long items = 0;;) { // to the end, to see that it has the right form
		const int error = copy.range();
		if (error != 0) return u.fail(error);
		const long lines = span(copy.from_[0], copy.to_[0]), contacts = span(copy.from_[1], copy.to_[1]);
		if (lines > most_items || contacts > most_items || (items += lines * contacts) > most_items) return u.fail(-223);
		if (copy.at_ == copy.end_) return true;
	}
}

// range reads the next item or range and the comma after it, but not a comma
// at the end. It returns 0 or the number of an error.
int List::range() {
	int error = read_item(at_, end_, from_);
	to_[0] = now_[0] = from_[0];
	to_[1] = now_[1] = from_[1];
	if (error == 0 && at_ < end_ && *at_ == ':') error = read_item(++at_, end_, to_);
	if (error != 0) return error;
	if ((from_[1] < 0) != (to_[1] < 0)) return -171;
	if (at_ == end_) return 0;
	return *at_++ == ',' && at_ < end_ ? 0 : -171;
}

// step goes one towards an end.
static void step(int &now, int to) { now += now < to ? 1 : -1; }

bool List::next(int &a, int &b) {
	if (!within_) {
		if (at_ == end_ || range() != 0) return false;
		within_ = true;
	}
	a = now_[0];
	b = now_[1];
	if (now_[1] != to_[1]) {
		step(now_[1], to_[1]);
	} else if (now_[0] != to_[0]) {
		step(now_[0], to_[0]);
		now_[1] = from_[1];
	} else {
		within_ = false;
	}
	return true;
}
