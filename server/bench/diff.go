package bench

import (
	"fmt"
	"slices"
	"strconv"

	"ohmkeep/server/dut"
)

// Diff lists what changed from pin map a to b: pins by their number, then
// straps by what they tie. The device gives the pins their names.
func Diff(def *Definition, d *dut.Device, a, b *PinMap) []dut.Change {
	out := []dut.Change{}
	pins := map[int]bool{}
	for n := range a.Contacts {
		pins[n] = true
	}
	for n := range b.Contacts {
		pins[n] = true
	}
	numbers := make([]int, 0, len(pins))
	for n := range pins {
		numbers = append(numbers, n)
	}
	slices.Sort(numbers)
	for _, n := range numbers {
		before, after := a.Contacts[n], b.Contacts[n]
		if before != after {
			out = append(out, dut.Change{Field: at(n), What: "contact of pin " + pinName(d, n), Before: contactWords(before), After: contactWords(after)})
		}
	}
	return append(out, strapChanges(def, d, a, b)...)
}

func pinName(d *dut.Device, n int) string {
	if p, ok := d.Pin(n); ok {
		return p.Label()
	}
	return strconv.Itoa(n)
}

func contactWords(contact int) string {
	if contact == 0 {
		return ""
	}
	return strconv.Itoa(contact)
}

// strapChanges pairs what is gone from a contact with what is new on it.
func strapChanges(def *Definition, d *dut.Device, a, b *PinMap) []dut.Change {
	var out []dut.Change
	for contact := range def.Contacts + 1 {
		gone, added := a.StrapsOf(contact), b.StrapsOf(contact)
		gone = slices.DeleteFunc(slices.Clone(gone), func(s Strap) bool {
			i := slices.Index(added, s)
			if i < 0 {
				return false
			}
			added = slices.Delete(slices.Clone(added), i, i+1)
			return true
		})
		for i := range max(len(gone), len(added)) {
			c := dut.Change{Field: "straps", What: fmt.Sprintf("strap on contact %d", contact)}
			if i < len(gone) {
				c.Before = strapWords(def, a, d, gone[i])
			}
			if i < len(added) {
				c.After = strapWords(def, b, d, added[i])
			}
			out = append(out, c)
		}
	}
	return out
}
