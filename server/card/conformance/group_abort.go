package conformance

import (
	"time"

	"ohmkeep/server/card/protocol"
)

func abortPoints() []point {
	const group = "abort"
	return []point{
		{group: group, title: "ABORt without a reading is nothing", steps: []step{carried("ABOR"), carried("ABORT"), ask("*ESE?", is("0"))}},
		{group: group, title: "ABORt ends a reading at once, which is not answered", steps: []step{
			carried("SENS{n}:CURR:APER 2"), abort("ABOR"), noError(),
		}},
		{group: group, title: "ABORt ends an average at once", steps: []step{
			carried("SENS{n}:CURR:APER 0.02;:SENS{n}:AVER:COUN 100;:SENS{n}:AVER ON"), abort("ABOR"), noError(),
		}},
		{group: group, title: "ABORt leaves outputs as they are", steps: []step{
			forceVoltage(), carried("OUTP{n} ON"), carried("SENS{n}:CURR:APER 2"), abort("ABOR"), ask("OUTP{n}?", is("1")), carried("OUTP{n} OFF"),
		}},
		{group: group, title: "ABOR;*RST makes safe in the middle of a reading", steps: []step{
			forceVoltage(), carried("OUTP{n} ON"), carried("SENS{n}:CURR:APER 2"), abort("ABOR;*RST", forceVoltage(), carried("OUTP{n} ON"), carried("SENS{n}:CURR:APER 2")), ask("OUTP{n}?", is("0")), noError(),
		}},
		{group: group, title: "another message waits until the reading is done", steps: []step{
			carried("SENS{n}:CURR:APER 0.1"), do(`"READ? (@{n})" and "*ESE?" together → the reading, and then 0`, func(t *trial) (string, error) {
				got, err := t.gather("READ? (@{n})\n*ESE?", 100*time.Millisecond+protocol.ReadTime+t.pause())
				if err != nil {
					return "", err
				}
				if len(got) != 2 || got[1] != "0" {
					return "", wrongf("%q", got)
				}
				_, err = t.readings(got[0], t.channel)
				return got[0] + ", " + got[1], err
			}), noError(),
		}},
	}
}

// abort begins a reading, sends a message and asks for something: that must be
// answered in time, and nothing else. Before it is tried again, what the message has
// undone is done again.
func abort(message string, again ...step) step {
	const limit = protocol.SafeTime + protocol.SettingTime
	return do("READ? (@{n}), "+message+", *ESE? → 0 within "+limit.String()+", and nothing else", func(t *trial) (string, error) {
		var best time.Duration
		n := 0
		for n < 1 || best > limit+t.lineTime(len(message)+10) && n < enough {
			if n > 0 {
				for _, s := range again {
					if _, err := s.do(t); err != nil {
						return "", err
					}
				}
			}
			if err := t.tell("READ? (@{n})"); err != nil {
				return "", err
			}
			if err := t.wait(30 * time.Millisecond); err != nil {
				return "", err
			}
			start := time.Now()
			if err := t.tell(message); err != nil {
				return "", err
			}
			answer, err := t.ask("*ESE?")
			took := time.Since(start)
			if err != nil {
				return "", err
			}
			if answer != "0" {
				return "", wrong(answer)
			}
			if n == 0 || took < best {
				best = took
			}
			n++
		}
		t.took = best
		if best > limit+t.lineTime(len(message)+10) {
			return "", wrongf("only after %v, the least of %d", best, n)
		}
		if more, err := t.gather("", t.pause()); err != nil || len(more) > 0 {
			if err == nil {
				err = wrongf("then also %q", more)
			}
			return "", err
		}
		return best.Round(10 * time.Microsecond).String(), nil
	})
}
