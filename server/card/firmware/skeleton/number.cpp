// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#include "number.h"

#include <math.h>
#include <stdint.h>
#include <limits>

namespace {

typedef std::numeric_limits<real> Limits;
const int mantissa = Limits::digits; // bits

// Big is a whole number that is large enough for the largest and the smallest
// real as a fraction of two of them. It lives on the stack.
struct Big {
	// Below the fraction stands at most 10^(kept - min_exponent10), and it is
	// shifted by a mantissa and two words; 10 to the n has less than n*10/3 bits.
	static const int words = ((Decimal::kept - Limits::min_exponent10) * 10 / 3 + mantissa) / 32 + 3;
	uint32_t word[words];
	int used;

	explicit Big(uint64_t x) : used(0) {
		for (; x != 0; x >>= 32) word[used++] = uint32_t(x);
	}
	void times(uint32_t factor, uint32_t plus = 0) {
		uint64_t carry = plus;
		for (int i = 0; i < used; i++) {
			carry += uint64_t(word[i]) * factor;
			word[i] = uint32_t(carry);
			carry >>= 32;
		}
		if (carry != 0) word[used++] = uint32_t(carry);
	}
	void times_power_of_ten(int n) {
		for (; n >= 9; n -= 9) times(1000000000u);
		for (; n > 0; n--) times(10);
	}
	void shift(int bits) {
		if (used == 0 || bits == 0) return;
		int whole = bits / 32;
		for (int i = used - 1; i >= 0; i--) word[i + whole] = word[i];
		for (int i = 0; i < whole; i++) word[i] = 0;
		used += whole;
		times(uint32_t(1) << (bits % 32));
	}
	int bits() const {
		int n = 32 * (used - 1);
		for (uint32_t top = used > 0 ? word[used - 1] : 0; top != 0; top >>= 1) n++;
		return used > 0 ? n : 0;
	}
	void minus(const Big &x) { // x is not larger
		int64_t borrow = 0;
		for (int i = 0; i < used; i++) {
			borrow += int64_t(word[i]) - (i < x.used ? int64_t(x.word[i]) : 0);
			word[i] = uint32_t(borrow);
			borrow >>= 32;
		}
		while (used > 0 && word[used - 1] == 0) used--;
	}
	void plus(const Big &x) {
		uint64_t carry = 0;
		int n = used > x.used ? used : x.used;
		for (int i = 0; i < n; i++) {
			carry += (i < used ? uint64_t(word[i]) : 0) + (i < x.used ? x.word[i] : 0);
			word[i] = uint32_t(carry);
			carry >>= 32;
		}
		used = n;
		if (carry != 0) word[used++] = uint32_t(carry);
	}
};

// compare is below, at or above 0 as a is below, at or above b.
int compare(const Big &a, const Big &b) {
	if (a.used != b.used) return a.used - b.used;
	for (int i = a.used - 1; i >= 0; i--) {
		if (a.word[i] != b.word[i]) return a.word[i] < b.word[i] ? -1 : 1;
	}
	return 0;
}

bool is_digit(char c) { return c >= '0' && c <= '9'; }

int blanks(const char *text, int length) {
	int n = 0;
	while (n < length && (text[n] == ' ' || text[n] == '\t')) n++;
	return n;
}

// scan_exponent reads E, a sign and digits, with blanks around the E; 0
// characters where they do not stand there.
int scan_exponent(const char *text, int length, long &exponent) {
	int n = blanks(text, length);
	if (n >= length || (text[n] != 'E' && text[n] != 'e')) return 0;
	n++;
	n += blanks(text + n, length - n);
	bool negative = n < length && text[n] == '-';
	if (n < length && (text[n] == '-' || text[n] == '+')) n++;
	int first = n;
	for (; n < length && is_digit(text[n]); n++) {
		if (exponent < 100000) exponent = 10 * exponent + (text[n] - '0');
	}
	if (n == first) return 0;
	if (exponent > 32000) return -123;
	if (negative) exponent = -exponent;
	return n;
}

} // namespace

int scan_decimal(const char *text, int length, Decimal &number) {
	number.count = 0;
	number.exponent = 0;
	number.negative = length > 0 && text[0] == '-';
	int n = length > 0 && (text[0] == '-' || text[0] == '+') ? 1 : 0;
	int seen = 0, significant = 0;
	bool point = false, more = false;
	for (; n < length && (is_digit(text[n]) || (text[n] == '.' && !point)); n++) {
		if (text[n] == '.') {
			point = true;
			continue;
		}
		seen++;
		unsigned char digit = static_cast<unsigned char>(text[n] - '0');
		if (significant > 0 || digit != 0) {
			significant++;
			if (number.count < Decimal::kept) number.digits[number.count++] = digit;
			else if (digit != 0) more = true;
			if (!point) number.exponent++;
		} else if (point) {
			number.exponent--;
		}
	}
	if (seen == 0) return 0;
	if (significant > 255) return -124;
	if (more) number.digits[number.count++] = 1; // for all that was not kept
	long exponent = 0;
	int of_exponent = scan_exponent(text + n, length - n, exponent);
	if (of_exponent < 0) return of_exponent;
	number.exponent += exponent;
	return n + of_exponent;
}

real to_real(const Decimal &number) {
	const real sign = number.negative ? real(-1) : real(1);
	if (number.count == 0 || number.exponent < Limits::min_exponent10) return 0;
	if (number.exponent > Limits::max_exponent10 + 1) return sign * Limits::infinity();
	Big above(0), below(1);
	for (int i = 0; i < number.count; i++) above.times(10, number.digits[i]);
	int power = int(number.exponent) - number.count;
	if (power >= 0) above.times_power_of_ten(power);
	else below.times_power_of_ten(-power);

	// Shift until the quotient has a mantissa's bits, or one more.
	int exponent = above.bits() - below.bits() - mantissa;
	if (exponent < 0) above.shift(-exponent);
	else below.shift(exponent);
	below.shift(mantissa);
	uint64_t quotient = 0;
	for (int bit = 0; bit <= mantissa; bit++) { // long division, a bit at a time
		quotient <<= 1;
		if (compare(above, below) >= 0) {
			above.minus(below);
			quotient |= 1;
		}
		above.shift(1);
	}
	// above / below is twice what is left over, as part of the last bit.
	bool full = quotient >> mantissa != 0;
	bool up;
	if (full) { // one bit too many: it decides, what is left over breaks the tie
		up = (quotient & 1) != 0 && (above.used > 0 || (quotient & 2) != 0);
		quotient >>= 1;
		exponent++;
	} else {
		int side = compare(above, below);
		up = side > 0 || (side == 0 && (quotient & 1) != 0);
	}
	if (up) quotient++;
	real x = ldexp(real(quotient), exponent);
	return x < Limits::min() ? 0 : sign * x;
}

namespace {

// put_decimal writes the digits of 0.ddd times 10 to exponent as d.ddE+n.
int put_decimal(char *out, bool negative, const char *digits, int count, int exponent) {
	int n = 0;
	if (negative) out[n++] = '-';
	out[n++] = digits[0];
	out[n++] = '.';
	if (count == 1) out[n++] = '0';
	for (int i = 1; i < count; i++) out[n++] = digits[i];
	out[n++] = 'E';
	exponent--;
	if (exponent >= 0) out[n++] = '+';
	return n + format_integer(out + n, exponent);
}

// round_up adds one to the last digit; a run of nines moves the point.
void round_up(char *digits, int &count, int &exponent) {
	while (count > 0 && digits[count - 1] == '9') count--;
	if (count > 0) {
		digits[count - 1]++;
		return;
	}
	digits[count++] = '1';
	exponent++;
}

// shortest finds the fewest digits (at most so many) between the middles to
// the neighbours of x, which is positive. All are kept as whole numbers: x is
// rest / scale, the middles are high / scale above it and low / scale below.
int shortest(real x, int at_most, char *digits, int &exponent) {
	int binary;
	uint64_t m = uint64_t(ldexp(frexp(x, &binary), mantissa));
	binary -= mantissa;
	const bool even = m % 2 == 0; // reading rounds to even: the middles belong to x
	const int edge = m == uint64_t(1) << (mantissa - 1); // the neighbour below is nearer
	Big rest(m), scale(1), high(1), low(1);
	rest.shift(1 + edge + (binary > 0 ? binary : 0));
	scale.shift(1 + edge + (binary < 0 ? -binary : 0));
	high.shift(edge + (binary > 0 ? binary : 0));
	low.shift(binary > 0 ? binary : 0);

	exponent = (binary + mantissa - 1) * 1233 / 4096; // log10(2) is 1233/4096, nearly
	if (exponent >= 0) {
		scale.times_power_of_ten(exponent);
	} else {
		rest.times_power_of_ten(-exponent);
		high.times_power_of_ten(-exponent);
		low.times_power_of_ten(-exponent);
	}
	for (;;) { // until x with its middle is below 1 at this exponent
		Big top = rest;
		top.plus(high);
		int side = compare(top, scale);
		if (side < 0 || (side == 0 && !even)) break;
		scale.times(10);
		exponent++;
	}
	int count = 0;
	for (;;) {
		rest.times(10);
		high.times(10);
		low.times(10);
		char digit = '0';
		for (; compare(rest, scale) >= 0; digit++) rest.minus(scale);
		if (count > 0 || digit != '0') digits[count++] = digit;
		else exponent--;
		Big top = rest;
		top.plus(high);
		int side_low = compare(rest, low), side_high = compare(top, scale);
		bool ends_low = side_low < 0 || (side_low == 0 && even);
		bool ends_high = side_high > 0 || (side_high == 0 && even);
		if (count == 0 || (!ends_low && !ends_high && count < at_most)) continue;
		rest.shift(1);
		int side = compare(rest, scale);
		bool up = side > 0 || (side == 0 && digit % 2 != 0);
		if ((ends_high && !ends_low) || (ends_high == ends_low && up)) round_up(digits, count, exponent);
		while (count > 1 && digits[count - 1] == '0') count--; // where digits were left out
		return count;
	}
}

} // namespace

int format_real(char *out, real x, int digits) {
	char found[Limits::max_digits10 + 1];
	if (x != x) return put_decimal(out, false, "991", 3, 38);
	if (x > Limits::max() || x < -Limits::max()) return put_decimal(out, x < 0, "99", 2, 38);
	bool negative = x < 0;
	if (negative) x = -x;
	if (x < Limits::min()) return put_decimal(out, false, "0", 1, 1);
	int exponent;
	if (digits <= 0 || digits > Limits::max_digits10) digits = Limits::max_digits10;
	int count = shortest(x, digits, found, exponent);
	return put_decimal(out, negative, found, count, exponent);
}

int format_integer(char *out, long x) {
	char reversed[24];
	int n = 0, length = 0;
	unsigned long rest = x < 0 ? 0ul - static_cast<unsigned long>(x) : static_cast<unsigned long>(x);
	do {
		reversed[n++] = static_cast<char>('0' + rest % 10);
		rest /= 10;
	} while (rest != 0);
	if (x < 0) out[length++] = '-';
	while (n > 0) out[length++] = reversed[--n];
	return length;
}
