// Channel lists.
// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#include "parse.h"

namespace {

// greatest is beyond every channel, line and contact.
const int greatest = 32767;

void skip(const char *&p, const char *end) {
	while (p < end && (*p == ' ' || *p == '\t')) p++;
}

bool is_digit(char c) { return c >= '0' && c <= '9'; }

// read_one reads a number.
bool read_one(const char *&p, const char *end, int &n) {
	skip(p, end);
	if (p == end || !is_digit(*p)) return false;
	for (n = 0; p < end && is_digit(*p); p++) {
		n = 10 * n + (*p - '0');
		if (n > greatest) n = greatest;
	}
	skip(p, end);
	return true;
}

// read_item reads 5 or 1!12.
bool read_item(const char *&p, const char *end, int item[2]) {
	if (!read_one(p, end, item[0])) return false;
	item[1] = -1;
	if (p == end || *p != '!') return true;
	return read_one(++p, end, item[1]);
}

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
	while (copy.range()) { // to the end, to see that it has the right form
		if (copy.at_ == copy.end_) return true;
	}
	return u.fail(-171);
}

// range reads the next item or range and the comma after it, but not a comma
// at the end.
bool List::range() {
	if (!read_item(at_, end_, from_)) return false;
	to_[0] = from_[0];
	to_[1] = from_[1];
	if (at_ < end_ && *at_ == ':' && !read_item(++at_, end_, to_)) return false;
	if ((from_[1] < 0) != (to_[1] < 0)) return false;
	now_[0] = from_[0];
	now_[1] = from_[1];
	if (at_ == end_) return true;
	return *at_++ == ',' && at_ < end_;
}

// step goes one towards an end.
static void step(int &now, int to) { now += now < to ? 1 : -1; }

bool List::next(int &a, int &b) {
	if (!within_) {
		if (at_ == end_ || !range()) return false;
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
