// Reads lines: "r text" writes the bits of the number that text is; "w bits"
// writes the number with these bits (hexadecimal), "w9 bits" with nine digits.
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "number.h"

typedef char as_wide[sizeof(uint64_t) >= sizeof(real) ? 1 : -1];

int main() {
	static char line[4096];
	while (fgets(line, sizeof line, stdin)) {
		line[strcspn(line, "\n")] = 0;
		if (line[0] == 'r') {
			Decimal d;
			const char *text = line + 2;
			int n = scan_decimal(text, static_cast<int>(strlen(text)), d);
			if (n <= 0) {
				printf("error %d\n", n);
				continue;
			}
			real x = to_real(d);
			uint64_t bits = 0;
			memcpy(&bits, &x, sizeof x);
			printf("%jx %d\n", static_cast<uintmax_t>(bits), n);
			continue;
		}
		int digits = line[1] == '9' ? 9 : 0;
		uint64_t bits = strtoull(strchr(line, ' '), 0, 16);
		real x;
		memcpy(&x, &bits, sizeof x);
		char out[longest_number];
		int n = format_real(out, x, digits);
		printf("%.*s\n", n, out);
	}
}
