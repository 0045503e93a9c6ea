package conformance

import "time"

// settle waits for an output that was switched on: the smallest current range
// must charge what is connected to it.
func settle() step {
	return do("", func(t *trial) (string, error) { return "", t.wait(50 * time.Millisecond) })
}

func outputPoints() []point {
	const group = "outputs"
	each := func(title string, steps ...step) point {
		return point{group: group, title: title, each: true, steps: steps}
	}
	return []point{
		each("an output without a compliance cannot be switched on",
			refused("OUTP{n} ON", -221), ask("OUTP{n}?", is("0")),
			carried("SOUR{n}:FUNC:MODE VOLT;:SENS{n}:VOLT:PROT {vc}"), refused("OUTP{n} ON", -221), ask("OUTP{n}?", is("0"))),
		each("an output is switched on and off",
			forceVoltage(), ask("OUTP{n}?", is("0")), carried("OUTP{n} ON"), ask("OUTP{n}?", is("1")), carried("OUTP{n} OFF"), ask("OUTP{n}?", is("0"))),
		each("an output is switched by 1 and 0 too",
			forceVoltage(), carried("OUTP{n}:STAT 1"), ask("OUTP{n}:STAT?", is("1")), carried("OUTP{n}:STAT 0"), ask("OUTP{n}:STAT?", is("0"))),
		each("an output that is on stays alone", forceVoltage(), carried("OUTP{n} ON"), do("OUTP<n>? of the others → 0", othersOff), carried("OUTP{n} OFF")),
		each("a level changes while the output is on",
			forceVoltage(), carried("OUTP{n} ON"), keeps("SOUR{n}:VOLT {v2}", "SOUR{n}:VOLT?", level("{v2}", "{vr}")),
			keeps("SOUR{n}:VOLT -{v}", "SOUR{n}:VOLT?", level("-{v}", "{vr}")), ask("OUTP{n}?", is("1")), carried("OUTP{n} OFF")),
		each("an output that is on keeps its compliance",
			forceVoltage(), carried("OUTP{n} ON"), refused("SOUR{n}:FUNC:MODE CURR", -221),
			ask("SOUR{n}:FUNC:MODE?;:OUTP{n}?", is("VOLT;1")), carried("OUTP{n} OFF")),
		each("settings outlast switching off", forceVoltage(), carried("OUTP{n} ON"), carried("OUTP{n} OFF"),
			ask("SOUR{n}:VOLT?", level("{v}", "{vr}")), ask("SENS{n}:CURR:PROT?", near("{ic}", 0.01)), carried("OUTP{n} ON"), ask("OUTP{n}?", is("1")), carried("OUTP{n} OFF")),
	}
}

func othersOff(t *trial) (string, error) {
	for _, n := range t.card.numbers() {
		want := "0"
		if n == t.channel {
			want = "1"
		}
		answer, err := t.ask("OUTP" + number(float64(n)) + "?")
		if err != nil {
			return "", err
		}
		if answer != want {
			return "", wrongf("OUTP%d? → %s", n, answer)
		}
	}
	return "they are off", nil
}
