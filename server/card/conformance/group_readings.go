package conformance

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"ohmkeep/server/card/protocol"
)

func readingPoints() []point {
	const group = "readings"
	const on, off = "OUTP{n} ON", "OUTP{n} OFF"
	each := func(title string, steps ...step) point {
		return point{group: group, title: title, each: true, steps: steps}
	}
	one := func(title string, steps ...step) point { return point{group: group, title: title, steps: steps} }
	return []point{
		one("FETCh? before the first reading has nothing to answer", refused("FETC?", -230)),
		each("a channel that is off is read", read("status 0, level 0", func(t *trial, r reading) error {
			return errors.Join(r.has(0, protocol.AtLimit|protocol.OutputOn|protocol.ErrorWaits), t.echoed(r, "0", "{v.large}"))
		}), noError()),
		each("a voltage is forced into nothing, and read back", forceVoltage(), carried(on), settle(),
			read("v near {v} V, i below {ic} A, status 4, level {v}", forced), carried(off)),
		each("the level that is set is echoed", forceVoltage(), carried(on),
			carried("SOUR{n}:VOLT {v2}"), read("level {v2}", func(t *trial, r reading) error { return t.echoed(r, "{v2}", "{vr}") }),
			carried("SOUR{n}:VOLT -{v}"), read("level -{v}", func(t *trial, r reading) error { return t.echoed(r, "-{v}", "{vr}") }), carried(off)),
		each("a current that is forced into nothing ends at the voltage limit", forceCurrent(), carried(on), settle(),
			read("v near {vc} V, status 1 and 4, level {i}", atVoltageLimit), carried(off)),
		one("a voltage that is forced into a short ends at the current limit", shorted(
			forceVoltage(), carried(on), settle(), read("i near {ic} A, status 1 and 4", atCurrentLimit),
			ask("SENS{n}:CURR:PROT:TRIP?;:STAT:QUES:COND?", parts(is("1"), bits(2, 1))), carried(off))...),
		one("a value that its range does not hold says so", shorted(do("SENS{n}:CURR:RANG {si.small} with {ic} A flowing → status 2 and a clipped value or 9.9E37, or -221 where the range is not to be had", overRange))...),
		one("all channels are read together, in the order asked",
			readOrder("{all}", false), readOrder("{reversed}", true), noError()),
		one("without a list channel 1 is read", do("READ? → one channel, with the level of channel {one}", func(t *trial) (string, error) {
			if err := t.tell("SOUR{one}:VOLT 0.025"); err != nil {
				return "", err
			}
			answer, err := t.ask("READ?")
			if err != nil {
				return "", err
			}
			rs, err := t.readings(answer, 1)
			if err == nil {
				err = t.echoed(rs[0], "0.025", "{v.large}")
			}
			return answer, err
		}), noError()),
		one("FETCh? answers the last reading again", do("READ? {all}, FETC? → the same, twice", func(t *trial) (string, error) {
			first, err := t.ask("READ? {all}")
			for range 2 {
				if err != nil {
					return "", err
				}
				var again string
				if again, err = t.ask("FETC?"); err == nil && again != first {
					err = wrongf("%s, and then %s", first, again)
				}
			}
			return first, err
		}), noError()),
		one("an error in the queue shows in a reading's status", tell("NOSUCH"),
			read("status 8", func(_ *trial, r reading) error { return r.has(protocol.ErrorWaits, 0) }), errorIs(-113),
			read("status without 8", func(_ *trial, r reading) error { return r.has(0, protocol.ErrorWaits) })),
		one("a channel that the card has not cannot be read", refused("READ? (@{nobody})", -222), refused("READ? (@{n},{nobody})", -222)),
		one("a reading's aperture is really taken", carried("SENS{n}:CURR:APER 0.1"), readTakes(100*time.Millisecond)),
		one("a short aperture is a short reading", carried("SENS{n}:CURR:APER 0.001"), readTakes(time.Millisecond)),
		one("an average takes as many apertures", carried("SENS{n}:CURR:APER 0.02;:SENS{n}:AVER:COUN 6;:SENS{n}:AVER ON"), readTakes(120*time.Millisecond)),
		one("an average that is off takes one aperture", carried("SENS{n}:CURR:APER 0.02;:SENS{n}:AVER:COUN 100;:SENS{n}:AVER OFF"), readTakes(20*time.Millisecond)),
	}
}

// forced holds a reading of a voltage that is forced into nothing.
func forced(t *trial, r reading) error {
	v, err1 := t.value("{v}")
	ic, err2 := t.value("{ic}")
	if err := errors.Join(err1, err2); err != nil {
		return err
	}
	ir, _ := t.value("{ir}")
	return errors.Join(r.has(protocol.OutputOn, protocol.AtLimit|protocol.OverRange|protocol.ErrorWaits),
		about(r.v, v, 0.2*v+0.02), about(r.i, 0, ic+0.05*ir), t.echoed(r, "{v}", "{vr}"))
}

func atVoltageLimit(t *trial, r reading) error {
	limit, err := t.value("{vc}")
	if err != nil {
		return err
	}
	return errors.Join(r.has(protocol.AtLimit|protocol.OutputOn, protocol.OverRange|protocol.ErrorWaits),
		about(r.v, limit, 0.2*limit+0.02), t.echoed(r, "{i}", "{fr}"))
}

func atCurrentLimit(t *trial, r reading) error {
	limit, err := t.value("{ic}")
	if err != nil {
		return err
	}
	full, _ := t.value("{ir}")
	return errors.Join(r.has(protocol.AtLimit|protocol.OutputOn, protocol.OverRange|protocol.ErrorWaits),
		about(r.i, limit, 0.2*limit+0.05*full), t.echoed(r, "{v}", "{vr}"))
}

// shorted closes a channel and the return onto one contact, with everything
// off, and opens them after the steps.
func shorted(steps ...step) []step {
	out := append([]step{carried("ROUT:CLOS {two}")}, steps...)
	return append(out, carried("ROUT:OPEN:ALL"))
}

// overRange has more current flow than the sense range holds, where the card
// lets that be set.
func overRange(t *trial) (string, error) {
	small, err := t.value("{si.small}")
	if err != nil {
		return "", err
	}
	if limit, err := t.value("{ic}"); err != nil || limit <= small {
		return "", errors.Join(err, skip("the smallest sense current range holds all that this check lets flow"))
	}
	if err := t.tell(voltageSetup + ";:SENS{n}:CURR:RANG {si.small}"); err != nil {
		return "", err
	}
	if refusedHere := t.errorsAre(-221); refusedHere == nil {
		return "", skip("the card refuses a sense range below the compliance, so that nothing is over range at low levels; in every other reading of this check, values and status agreed")
	}
	if err := t.tell("OUTP{n} ON"); err != nil {
		return "", err
	}
	answer, err := t.ask("READ? (@{n})")
	if err != nil {
		return "", err
	}
	rs, err := t.readings(answer, t.channel)
	if err != nil {
		return "", err
	}
	if r := rs[0]; r.status&protocol.OverRange == 0 || math.Abs(r.i) < 0.9*small {
		return "", wrong(answer)
	}
	return answer, t.tell("OUTP{n} OFF")
}

// readOrder sets a level of its own on each channel, which is off, and reads
// them all.
func readOrder(list string, backwards bool) step {
	return do("READ? "+list+" → the level of each channel in that order", func(t *trial) (string, error) {
		numbers := t.card.numbers()
		want := make([]string, len(numbers))
		for k, n := range numbers {
			want[k] = number(0.001 * float64(k+1))
			if err := t.tell("SOUR" + strconv.Itoa(n) + ":VOLT " + want[k]); err != nil {
				return "", err
			}
		}
		answer, err := t.ask("READ? " + list)
		if err != nil {
			return "", err
		}
		if backwards {
			for a, b := 0, len(numbers)-1; a < b; a, b = a+1, b-1 {
				numbers[a], numbers[b], want[a], want[b] = numbers[b], numbers[a], want[b], want[a]
			}
		}
		rs, err := t.readings(answer, numbers...)
		if err != nil {
			return "", err
		}
		for k, r := range rs {
			if err := t.echoed(r, want[k], "{v.large}"); err != nil {
				return "", wrongf("%s: place %d: %v", answer, k+1, err)
			}
		}
		return answer, nil
	})
}

// readTakes wants a reading to take its aperture, and not much longer.
func readTakes(aperture time.Duration) step {
	// The card's clock and ours may differ by some percent, and one that counts
	// milliseconds ends up to one too early.
	least, most := max(0, aperture*97/100-time.Millisecond), aperture+protocol.ReadTime
	words := fmt.Sprintf("READ? (@{n}) answered after %v to %v", least, most)
	return do(words, func(t *trial) (string, error) {
		return t.timed("READ? (@{n})", least, most)
	})
}
