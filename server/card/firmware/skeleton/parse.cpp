// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#include "parse.h"

#include <stdint.h>
#include <string.h>

namespace {

bool is_blank(char c) { return c == ' ' || c == '\t'; }
bool is_digit(char c) { return c >= '0' && c <= '9'; }
bool is_capital(char c) { return c >= 'A' && c <= 'Z'; }
char upper(char c) { return c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c; }
bool is_letter(char c) { return is_capital(upper(c)); }
bool is_word(char c) { return is_letter(c) || is_digit(c) || c == '_'; }

void skip_blanks(Unit &u) {
	while (u.at < u.end && is_blank(*u.at)) u.at++;
}

// ends_here: a parameter may end at p.
bool ends_here(const Unit &u, const char *p) { return p == u.end || is_blank(*p) || *p == ','; }

// mistaken is the error of a character that may not stand here: -101 where it
// has no meaning anywhere in a message.
int mistaken(const Unit &u, int known) {
	return u.at < u.end && !is_digit(*u.at) && strchr(" \t\"#'()*+,-./:;?!@", *u.at) == 0 ? -101 : known;
}

// longest_word is how long a mnemonic may be (IEEE 488.2).
const int longest_word = 12;

// same_word compares text with a word in the standards' notation, in short or
// long form and any case.
bool same_word(const char *word, int length, const char *text, int of_text) {
	int capitals = 0;
	while (capitals < length && (is_capital(word[capitals]) || !is_letter(word[capitals]))) capitals++;
	if (of_text != length && of_text != capitals) return false;
	for (int i = 0; i < of_text; i++) {
		if (upper(word[i]) != upper(text[i])) return false;
	}
	return true;
}

} // namespace

const char *end_of_unit(const char *at, const char *end) {
	char quote = 0;
	for (; at < end; at++) {
		if (quote != 0) {
			if (*at == quote) quote = 0;
		} else if (*at == '"' || *at == '\'') {
			quote = *at;
		} else if (*at == ';') {
			break;
		}
	}
	return at;
}

bool read_header(Unit &u, Path &path, char header[path_size]) {
	skip_blanks(u);
	int length = 0, level = 0; // level: where the last word of it begins
	const bool common = u.at < u.end && *u.at == '*';
	if (common) {
		header[length++] = *u.at++;
	} else if (u.at < u.end && *u.at == ':') {
		u.at++;
	} else {
		memcpy(header, path.text, static_cast<size_t>(path.length));
		length = level = path.length;
	}
	for (;;) {
		const char *first = u.at;
		while (u.at < u.end && is_word(*u.at)) u.at++;
		const int word = static_cast<int>(u.at - first);
		if (word == 0 || !is_letter(*first)) {
			u.at = first;
			return u.fail(mistaken(u, -102));
		}
		if (word > longest_word) return u.fail(-112);
		if (length + word + 2 > path_size) return u.fail(-113);
		memcpy(header + length, first, static_cast<size_t>(word));
		length += word;
		if (common || u.at == u.end || *u.at != ':') break;
		header[length++] = *u.at++;
		level = length;
	}
	header[length] = 0;
	u.query = u.at < u.end && *u.at == '?';
	if (u.query) u.at++;
	if (u.at < u.end && !is_blank(*u.at)) return u.fail(u.query ? -111 : mistaken(u, -111));
	if (!common) { // a common command leaves the level as it is
		memcpy(path.text, header, static_cast<size_t>(level));
		path.length = level;
	}
	return true;
}

namespace {

// read_suffix reads the digits behind a keyword: 1 where there are none.
const char *read_suffix(const char *text, int &n) {
	if (!is_digit(*text)) {
		n = 1;
		return text;
	}
	for (n = 0; is_digit(*text); text++) {
		if (n < 1000) n = 10 * n + (*text - '0');
	}
	return text;
}

} // namespace

Match match_header(const char *pattern, const char *header, int most, int &suffix) {
	const bool optional = *pattern == '[';
	while (*pattern == '[' || *pattern == ']' || *pattern == ':') pattern++;
	if (*pattern == 0) return *header == 0 ? fits : differs;
	int length = 0;
	while (is_letter(pattern[length]) || pattern[length] == '*') length++;
	const bool numbered = pattern[length] == '#';
	const char *rest = pattern + length + (numbered ? 1 : 0);
	if (*rest == ']') rest++;

	int of_word = 0;
	while (header[of_word] != 0 && header[of_word] != ':') of_word++;
	int letters = of_word; // without the digits at its end
	while (letters > 0 && is_digit(header[letters - 1])) letters--;
	if (same_word(pattern, length, header, letters)) {
		const char *after = header + of_word;
		int below = suffix, n;
		Match m = match_header(rest, *after == ':' ? after + 1 : after, most, below);
		read_suffix(header + letters, n);
		const bool right = letters == of_word || (numbered && n >= 1 && n <= most);
		if (m != differs) {
			suffix = numbered ? n : below;
			return right ? m : differs_in_suffix;
		}
	}
	return optional ? match_header(rest, header, most, suffix) : differs;
}

bool is_urgent(const char *message, int length) {
	Unit u = {message, end_of_unit(message, message + length), false, 1, 0, 0, false};
	Path path = {{0}, 0};
	char header[path_size];
	int suffix;
	if (!read_header(u, path, header) || u.query || !end_of_parameters(u)) return false;
	return match_header("ABORt", header, 1, suffix) == fits || match_header("*RST", header, 1, suffix) == fits;
}

bool has_parameters(Unit &u) {
	skip_blanks(u);
	return u.at < u.end;
}

bool end_of_parameters(Unit &u) {
	if (u.error != 0) return false;
	if (!has_parameters(u)) return true;
	if (!u.begun) return u.fail(-108);
	if (*u.at != ',') return u.fail(-103);
	u.at++;
	return u.fail(has_parameters(u) ? -108 : -102);
}

namespace {

// begin_parameter stands before the next parameter.
bool begin_parameter(Unit &u) {
	if (u.error != 0) return false;
	if (!has_parameters(u)) return u.fail(-109);
	if (u.begun) {
		if (*u.at++ != ',') return u.fail(-103);
		if (!has_parameters(u)) return u.fail(-102);
	}
	u.begun = true;
	return true;
}

// begins_other: what stands there is no number, but another kind of data, or
// nothing that can be one.
bool begins_other(const Unit &u, int &error) {
	const char c = *u.at;
	if (is_digit(c) || c == '+' || c == '-' || c == '.' || c == '#') return false;
	const bool data = is_letter(c) || c == '"' || c == '\'' || c == '(';
	error = data ? -104 : mistaken(u, -102);
	return true;
}

struct Multiplier {
	const char *text;
	int power; // of ten
};

// The longer ones are found because the whole prefix is compared.
const Multiplier multipliers[] = {
	{"", 0}, {"EX", 18}, {"PE", 15}, {"T", 12}, {"G", 9}, {"MA", 6}, {"K", 3},
	{"M", -3}, {"U", -6}, {"N", -9}, {"P", -12}, {"F", -15}, {"A", -18},
};

// read_symbol reads what stands behind a number and gives its power of ten.
bool read_symbol(Unit &u, Symbol symbol, int &power) {
	power = 0;
	const char *first = u.at;
	while (first < u.end && is_blank(*first)) first++;
	if (first == u.end || !is_letter(*first)) return ends_here(u, u.at) || u.fail(-121);
	const char *last = first;
	while (!ends_here(u, last)) last++;
	if (symbol == no_symbol) return u.fail(-138);
	if (last - first > longest_word) return u.fail(-134);
	const char *const names = " VAS";
	if (upper(last[-1]) != names[symbol]) return u.fail(-131);
	const int length = static_cast<int>(last - first) - 1;
	for (const Multiplier &m : multipliers) {
		const int of_text = static_cast<int>(strlen(m.text));
		if (of_text != length || !same_word(m.text, of_text, first, length)) continue;
		power = m.power;
		u.at = last;
		return true;
	}
	return u.fail(-131);
}

// read_radix reads #H, #Q or #B.
bool read_radix(Unit &u, real &x) {
	const char letter = u.at + 1 < u.end ? upper(u.at[1]) : ' ';
	const int bits = letter == 'H' ? 4 : letter == 'Q' ? 3 : letter == 'B' ? 1 : 0;
	if (is_digit(letter)) return u.fail(-104); // block data
	if (bits == 0) return u.fail(-121);
	const char *first = u.at += 2;
	uint64_t n = 0;
	for (; !ends_here(u, u.at); u.at++) {
		const char c = upper(*u.at);
		const int digit = is_digit(c) ? c - '0' : c >= 'A' && c <= 'F' ? c - 'A' + 10 : 16;
		if (digit >= 1 << bits) return u.fail(-121);
		if (n >> (64 - bits) != 0) return u.fail(-124);
		n = n << bits | static_cast<uint64_t>(digit);
	}
	x = real(n);
	return u.at > first || u.fail(-121);
}

// read_number reads a number with its unit where one stands.
bool read_number(Unit &u, Symbol symbol, real &x) {
	if (*u.at == '#') return read_radix(u, x);
	Decimal d;
	int length = scan_decimal(u.at, static_cast<int>(u.end - u.at), d), power;
	if (length <= 0) return u.fail(length == 0 ? -121 : length);
	u.at += length;
	if (!read_symbol(u, symbol, power)) return false;
	d.exponent += power;
	x = to_real(d);
	return true;
}

// read_word reads character data and finds it among words.
bool read_word(Unit &u, const char *const words[], int count, int &which) {
	const char *first = u.at;
	while (u.at < u.end && is_word(*u.at)) u.at++;
	const int length = static_cast<int>(u.at - first);
	if (length > longest_word) return u.fail(-144);
	if (!ends_here(u, u.at)) return u.fail(-141);
	for (which = 0; which < count; which++) {
		if (same_word(words[which], static_cast<int>(strlen(words[which])), first, length)) return true;
	}
	return u.fail(-141);
}

} // namespace

bool number(Unit &u, Symbol symbol, const Bounds *bounds, real &x) {
	static const char *const words[] = {"MINimum", "MAXimum", "DEFault"};
	int which, error;
	if (!begin_parameter(u)) return false;
	if (bounds != 0 && is_letter(*u.at)) {
		if (!read_word(u, words, 3, which)) return false;
		x = which == 0 ? bounds->minimum : which == 1 ? bounds->maximum : bounds->standard;
		return true;
	}
	if (begins_other(u, error)) return u.fail(error);
	return read_number(u, symbol, x);
}

bool whole(Unit &u, long least, long most, long &n) {
	real x;
	if (!number(u, no_symbol, 0, x)) return false;
	if (!(x >= real(least) - real(0.5) && x < real(most) + real(0.5))) return u.fail(-222);
	n = static_cast<long>(x < 0 ? x - real(0.5) : x + real(0.5));
	return true;
}

bool boolean(Unit &u, bool &on) {
	static const char *const words[] = {"OFF", "ON"};
	int which, error;
	real x;
	if (!begin_parameter(u)) return false;
	if (is_letter(*u.at)) {
		if (!read_word(u, words, 2, which)) return false;
		on = which == 1;
		return true;
	}
	if (begins_other(u, error)) return u.fail(error);
	if (!read_number(u, no_symbol, x)) return false;
	on = x >= real(0.5) || x <= real(-0.5);
	return true;
}

bool word(Unit &u, const char *const words[], int count, int &which) {
	int error;
	if (!begin_parameter(u)) return false;
	if (is_letter(*u.at)) return read_word(u, words, count, which);
	return u.fail(begins_other(u, error) ? error : -104);
}
