package emulator

import "testing"

// BenchmarkExchange is one reading of one channel on a link that takes no
// time, asked and answered over a pipe in memory.
func BenchmarkExchange(b *testing.B) {
	k := talk(b, newCard(b, Config{Link: rehearsed(b)}))
	k.does("SENS1:CURR:PROT 1E-3;:OUTP1 ON")
	for b.Loop() {
		k.ask("READ? (@1)")
	}
}
