package quantity

import "strconv"

// Bytes prints a number of bytes with decimal prefixes (IEC 80000-13) and at most
// three digits: "999 B", "1.23 GB". What rounds up to a thousand takes the next
// prefix: 999,950 bytes are 1 MB.
func Bytes(n float64) string {
	units := []string{"B", "kB", "MB", "GB", "TB", "PB", "EB"}
	for len(units) > 1 && n >= 999.5 {
		n, units = n/1000, units[1:]
	}
	if n >= 999.5 {
		return strconv.FormatFloat(n, 'f', 0, 64) + " " + units[0]
	}
	return strconv.FormatFloat(n, 'g', 3, 64) + " " + units[0]
}
