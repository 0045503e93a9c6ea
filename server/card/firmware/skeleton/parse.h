// parse.h: taking program messages apart. Knows nothing of the card.
// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#ifndef OHMKEEP_PARSE_H
#define OHMKEEP_PARSE_H

#include "number.h"

// Unit is one program message unit: what stands between two semicolons. The
// functions below read its parameters one after the other. The first error is
// kept; after it they return false and change nothing.
struct Unit {
	const char *at, *end; // what has not been read of it
	bool query;
	int suffix; // the number behind a keyword, 1 where there is none
	int arg;    // from the table of commands
	int error;  // 0, or its number
	bool begun; // a parameter has been read

	bool fail(int number) {
		if (error == 0) error = number;
		return false;
	}
};

// path_size is how much a header with its path may measure.
const int path_size = 96;

// Path is the level at which the next header continues, as text.
struct Path {
	char text[path_size];
	int length;
};

// end_of_unit is where the unit that begins at `at` ends: at a semicolon
// outside quotes, or at end.
const char *end_of_unit(const char *at, const char *end);

// read_header reads the header at the beginning of the unit and puts it,
// complete from the root, into header; the path is what the next one continues
// from. False with u.error set where it is none.
bool read_header(Unit &u, Path &path, char header[path_size]);

// Match is how well a header fits a pattern.
enum Match { differs, differs_in_suffix, fits };

// match_header compares a header with a pattern in the standards' notation:
// short form in capitals, [optional], # where a number from 1 to `most` may
// stand, which it puts into suffix.
Match match_header(const char *pattern, const char *header, int most, int &suffix);

// is_urgent: the message begins with ABORt or *RST.
bool is_urgent(const char *message, int length);

// Units that a number may have behind it.
enum Symbol { no_symbol, volts, amperes, seconds };

// Words are what may stand for a number.
struct Bounds {
	real minimum, maximum, standard;
};

// end_of_parameters: nothing more may follow.
bool end_of_parameters(Unit &u);
// number reads a number; the words MINimum, MAXimum and DEFault only with bounds.
bool number(Unit &u, Symbol symbol, const Bounds *bounds, real &x);
// whole reads a number, rounds it, and wants it from least to most.
bool whole(Unit &u, long least, long most, long &n);
// boolean reads ON, OFF or a number, rounded.
bool boolean(Unit &u, bool &on);
// word reads one of the words, in short or long form; `which` counts from 0.
bool word(Unit &u, const char *const words[], int count, int &which);
// has_parameters: something stands before the end of the unit.
bool has_parameters(Unit &u);

// List is a channel list, (@1,3:5) or (@0!7,1!1:1!12), of which one item after
// the other is taken. Nothing is stored, so a list may have any length; a copy
// starts over.
class List {
public:
	// read checks the form and stands before the first item.
	bool read(Unit &u);
	// next gives the next item; b is -1 where it has one number only.
	bool next(int &a, int &b);

private:
	int range();
	const char *at_, *end_;
	int from_[2], to_[2], now_[2];
	bool within_; // a range has items left
};

#endif
