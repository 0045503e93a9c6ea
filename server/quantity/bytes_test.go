package quantity

import "testing"

// TestBytes: three digits, and the prefix that goes with them.
func TestBytes(t *testing.T) {
	for n, want := range map[float64]string{
		0: "0 B", 1: "1 B", 999: "999 B", 1000: "1 kB", 1500: "1.5 kB", 999_499: "999 kB", 999_500: "1 MB", 999_950: "1 MB", 42e6: "42 MB",
		1_400_000: "1.4 MB", 1_234_567_890: "1.23 GB", 2.5e9: "2.5 GB", 5e15: "5 PB", 3e30: "3000000000000 EB",
	} {
		if got := Bytes(n); got != want {
			t.Errorf("%g: %s, want %s", n, got, want)
		}
	}
}
