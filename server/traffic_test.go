package main

import (
	"bytes"
	"testing"

	"ohmkeep/server/cardinfo"
)

// TestTrafficIsBounded: however much is said, what is kept has the first and
// the last of it and counts what is missing.
func TestTrafficIsBounded(t *testing.T) {
	var kept traffic
	const said = 200_000
	line := bytes.Repeat([]byte("x"), 40)
	n := uint64(0)
	for i := range said {
		n++
		if i == said/2 {
			n += 1000 // gone from the log before it was fetched
		}
		kept.add(cardinfo.Event{N: n, Bytes: line})
	}
	got := kept.whole()
	size := len(got.Events) * (len(line) + eventCost)
	if size > firstTraffic+lastTraffic || size < firstTraffic+lastTraffic/2 {
		t.Errorf("%d bytes are kept", size)
	}
	if len(got.Events)+got.Dropped != int(n) {
		t.Errorf("%d kept and %d dropped of %d", len(got.Events), got.Dropped, n)
	}
	first, last := got.Events[0].N, got.Events[len(got.Events)-1].N
	if first != 1 || last != n {
		t.Errorf("from %d to %d", first, last)
	}
	gap := 0
	for i := 1; i < len(got.Events); i++ {
		if got.Events[i].N != got.Events[i-1].N+1 {
			gap++
		}
	}
	if gap != 1 {
		t.Errorf("%d gaps", gap)
	}
}
