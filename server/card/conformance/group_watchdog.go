package conformance

import (
	"fmt"
	"time"

	"ohmkeep/server/card/protocol"
)

// beyond is the time that the check waits after the watchdog's own, and after
// a twentieth of that for its tolerance.
const beyond = 50 * time.Millisecond

func watchdogPoints() []point {
	const group = "watchdog"
	one := func(title string, steps ...step) point {
		return point{group: group, title: title, steps: append([]step{do("", needWatchdog)}, steps...)}
	}
	const tripped = "SOUR{n}:CURR:PROT:TRIP?"
	return []point{
		one("a host that asks in time keeps an output on", forceVoltage(), carried("OUTP{n} ON"),
			do("*ESR? every quarter of the watchdog's time, for twice as long → the output stays on", keepAlive), ask("OUTP{n}?", is("1")), noError(), carried("OUTP{n} OFF")),
		one("a silent host: the output goes off, and is tripped", forceVoltage(), carried("OUTP{n} ON"), silence(),
			ask("OUTP{n}?", is("0")), ask(tripped, is("1")), watchdogError(), ask("SOUR{n}:VOLT?", exact("0")), ask("SENS{n}:CURR:PROT?", near("{ic}", 0.01)),
			refused("OUTP{n} ON", -221), ask("OUTP{n}?", is("0")),
			carried("SOUR{n}:CURR:PROT:CLE"), ask(tripped+";:OUTP{n}?", is("0;0")),
			carried("OUTP{n} ON"), ask("OUTP{n}?", is("1")), carried("OUTP{n} OFF")),
		one("*RST takes the watchdog's trip back", forceVoltage(), carried("OUTP{n} ON"), silence(), ask(tripped, is("1")), watchdogError(),
			carried("*RST"), ask(tripped, is("0"))),
		one("a silent host: paths open, and no channel that was off is tripped", carried("ROUT:CLOS (@{path})"), silence(),
			ask("ROUT:CLOS:STAT?", is("(@)")), watchdogError(), ask(tripped, is("0"))),
		one("with everything off and open silence is nothing", silence(), noError(), ask(tripped, is("0"))),
		one("bytes without the end of a message are silence", forceVoltage(), carried("OUTP{n} ON"), do("a byte every quarter of the watchdog's time → the output goes off", trickle),
			ask("OUTP{n}?", is("0")), watchdogError()),
		one("a message with a mistake is no silence", forceVoltage(), carried("OUTP{n} ON"), do("NOSUCH in the middle of a silence of 1.6 times the watchdog's time → the output stays on", mistake),
			ask("OUTP{n}?", is("1")), errorIs(-113), carried("OUTP{n} OFF")),
		one("a reading that takes longer than the watchdog is no silence", forceVoltage(), do("READ? of 1.3 times the watchdog's time, then half of it silence → the output stays on", longReading),
			ask("OUTP{n}?", is("1")), noError(), carried("OUTP{n} OFF")),
	}
}

func needWatchdog(t *trial) (string, error) {
	if t.card.watchdog <= 0 {
		return "", skip("the card does not say that it has a watchdog")
	}
	return "", nil
}

// silence sends nothing for longer than the watchdog waits.
func silence() step {
	return do("silence for longer than the watchdog's time", func(t *trial) (string, error) {
		return "", t.wait(t.card.watchdog + beyond + t.card.watchdog/20)
	})
}

// watchdogError wants -365 alone, with the watchdog named.
func watchdogError() step {
	return do(`SYST:ERR? → -365,"Time out error;watchdog"`, func(t *trial) (string, error) {
		answer, err := t.ask("*ESR?;:SYST:ERR?;:SYST:ERR?")
		if err != nil {
			return "", err
		}
		got := splitAnswer(answer)
		if len(got) != 3 || got[1] != `-365,"Time out error;watchdog"` || got[2] != `0,"No error"` {
			return "", wrong(answer)
		}
		if events, err := register(got[0]); err != nil || events&anyError != 8 {
			return "", wrongf("%s: event status %s is not bit 3 alone of the errors", got[1], got[0])
		}
		return answer, nil
	})
}

// quarters does something at every quarter of the watchdog's time.
func (t *trial) quarters(n int, each func() error) error {
	for range n {
		if err := t.wait(t.card.watchdog / 4); err != nil {
			return err
		}
		if err := each(); err != nil {
			return err
		}
	}
	return nil
}

func keepAlive(t *trial) (string, error) {
	err := t.quarters(8, func() error {
		answer, err := t.ask("*ESR?")
		if err == nil && answer != "0" {
			err = wrongf("*ESR? → %s", answer)
		}
		return err
	})
	return fmt.Sprintf("on for %v", 2*t.card.watchdog), err
}

func trickle(t *trial) (string, error) {
	if err := t.canWrite(); err != nil {
		return "", err
	}
	if err := t.quarters(6, func() error { return t.raw(" ") }); err != nil {
		return "", err
	}
	return "", nil
}

func mistake(t *trial) (string, error) {
	part := t.card.watchdog * 8 / 10
	if err := t.wait(part); err != nil {
		return "", err
	}
	if err := t.tell("NOSUCH"); err != nil {
		return "", err
	}
	if err := t.wait(part); err != nil {
		return "", err
	}
	return "", nil
}

func longReading(t *trial) (string, error) {
	long := t.card.watchdog * 13 / 10
	if long.Seconds() > protocol.MaxAperture {
		return "", skip("the watchdog waits for longer than a reading may take")
	}
	if err := t.tell("SENS{n}:CURR:APER " + number(long.Seconds())); err != nil {
		return "", err
	}
	if err := t.tell("OUTP{n} ON"); err != nil {
		return "", err
	}
	answer, err := t.askFor("READ? (@{n})", long)
	if err != nil {
		return "", err
	}
	if err := t.wait(t.card.watchdog / 2); err != nil {
		return "", err
	}
	return answer, nil
}
