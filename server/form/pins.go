package form

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
)

// PinsText writes pins in their order, runs of three and more as "1-6".
func PinsText(pins []int) string {
	var out []string
	for i := 0; i < len(pins); {
		j := i
		for j+1 < len(pins) && pins[j+1] == pins[j]+1 {
			j++
		}
		if j < i+2 {
			j = i
			out = append(out, strconv.Itoa(pins[i]))
		} else {
			out = append(out, strconv.Itoa(pins[i])+"-"+strconv.Itoa(pins[j]))
		}
		i = j + 1
	}
	return strings.Join(out, ", ")
}

// ParsePins reads pins as "1-6, 8, VCC": numbers, runs of numbers, and names
// that only one pin has.
func ParsePins(text string, d *dut.Device) ([]int, error) {
	var out []int
	if len(text) > maxPinsText {
		return nil, fmt.Errorf("is longer than %d characters", maxPinsText)
	}
	for _, part := range strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ';' || r == '\n' }) {
		part = strings.TrimSpace(part)
		if part == "" {
			continue
		}
		run, err := parsePinPart(part, d)
		if err != nil {
			return nil, err
		}
		out = append(out, run...)
		if len(out) > dut.MaxPins {
			return nil, fmt.Errorf("name at most %d pins", dut.MaxPins)
		}
	}
	return out, nil
}

// maxPinsText bounds the field of pins, in bytes.
const maxPinsText = 1000

func parsePinPart(part string, d *dut.Device) ([]int, error) {
	if n, err := pinNumber(part, d); err == nil {
		return []int{n}, nil
	} else if _, number := strconv.Atoi(part); number == nil {
		return nil, err
	}
	for _, dash := range []string{"-", "–", "…", ".."} {
		from, to, ok := strings.Cut(part, dash)
		if !ok {
			continue
		}
		a, err := pinNumber(strings.TrimSpace(from), d)
		if err != nil {
			continue
		}
		b, err := pinNumber(strings.TrimSpace(to), d)
		if err != nil {
			return nil, err
		}
		return pinRun(a, b), nil
	}
	if words := strings.Fields(part); len(words) > 1 { // "1 2 5"
		var out []int
		for _, w := range words {
			n, err := pinNumber(w, d)
			if err != nil {
				return nil, err
			}
			out = append(out, n)
		}
		return out, nil
	}
	_, err := pinNumber(part, d)
	return nil, err
}

func pinRun(a, b int) []int {
	var out []int
	step := 1
	if b < a {
		step = -1
	}
	for n := a; n != b+step; n += step {
		out = append(out, n)
	}
	return out
}

// pinNumber finds a pin by its number, or by a name that only it has.
func pinNumber(text string, d *dut.Device) (int, error) {
	if n, err := strconv.Atoi(text); err == nil {
		if _, ok := d.Pin(n); !ok {
			return 0, fmt.Errorf("pin %d is not on the device, which has %d pins", n, len(d.Pins))
		}
		return n, nil
	}
	var found []int
	for _, p := range d.Pins {
		if strings.EqualFold(p.Name, text) {
			found = append(found, p.Number)
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return 0, fmt.Errorf("%q is no pin of the device: write pins as 1-6, 8", dut.Excerpt(text))
	}
	slices.Sort(found)
	return 0, fmt.Errorf("%q is the name of pins %s: write their numbers", dut.Excerpt(text), PinsText(found))
}
