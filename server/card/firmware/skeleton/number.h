// Numbers as text: reading and writing without the C library's formatted
// input and output, exact in both directions.
// Copyright (c) 2026 the Ohmkeep authors. MIT License, see LICENSE.
#ifndef OHMKEEP_NUMBER_H
#define OHMKEEP_NUMBER_H

// The type of every voltage, current and time of the card. Compile with
// -DCARD_REAL=float where double is too slow; then numbers read back exactly
// as floats, and are shorter on the wire.
#ifndef CARD_REAL
#define CARD_REAL double
#endif
typedef CARD_REAL real;

// Decimal is a decimal number taken apart: 0.d1d2d3... times 10 to exponent.
struct Decimal {
	static const int kept = 40; // digits that decide; what follows only breaks ties
	unsigned char digits[kept + 1];
	int count;
	long exponent;
	bool negative;
};

// scan_decimal reads a number (1, -0.5, .5E-3) at the beginning of text. It
// returns how many characters belong to it, 0 where none stands there, or the
// number of the error: -123 the exponent is above 32000, -124 more than 255
// digits.
int scan_decimal(const char *text, int length, Decimal &number);

// to_real is the nearest real, the even one of two that are equally near;
// infinite where it is too large, 0 where it is below the smallest normal.
real to_real(const Decimal &number);

// format_real writes x as 1.25E-3 and returns the length, at most 26. With
// digits 0 it takes the fewest digits that read back as the same x, otherwise
// at most so many. Infinite is 9.9E+37, what is not a number 9.91E+37.
const int longest_number = 26;
int format_real(char *out, real x, int digits);

// format_integer writes a whole number and returns the length, at most 11.
int format_integer(char *out, long x);

#endif
