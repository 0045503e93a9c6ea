package conformance

import (
	"time"

	"ohmkeep/server/card/protocol"
)

func timingPoints() []point {
	const group = "timing"
	query := func(message string, before ...step) point {
		return point{group: group, title: message + " is answered in time", steps: append(before, answered(message, protocol.SettingTime))}
	}
	// A setting is seen to be done by the query after it, whose own time comes on top.
	setting := func(title string, own time.Duration, message string, before ...step) point {
		return point{group: group, title: title + " in time", steps: append(before, answered(message+";*ESE?", own+protocol.SettingTime))}
	}
	paths := func(title, message string, times time.Duration) point {
		return point{group: group, title: title + " in time", steps: []step{do(message+";*ESE? → within "+times.String()+" times the switching time and 40 ms", func(t *trial) (string, error) {
			return t.timed(message+";*ESE?", 0, times*t.o.SwitchTime+2*protocol.SettingTime)
		})}}
	}
	return []point{
		query("*IDN?"), query("*ESR?"), query("*STB?"), query("SYST:ERR?"), query("OUTP{n}?"), query("SOUR{n}:VOLT?"),
		query("SENS{n}:CURR:PROT?"), query("ROUT:CLOS:STAT?", needPaths()), query("SOUR{n}:CURR:PROT:TRIP?"),
		setting("a level is set", protocol.SettingTime, "SOUR{n}:VOLT {v}"),
		// Five settings take effect together, but each may take its time.
		setting("a whole channel is set", 5*protocol.SettingTime, voltageSetup),
		setting("an output is switched on", protocol.SettingTime, "OUTP{n} ON", forceVoltage()),
		setting("an output is switched off", protocol.SettingTime, "OUTP{n} OFF", forceVoltage(), carried("OUTP{n} ON")),
		setting("*RST is done", protocol.SafeTime, "*RST"),
		setting("*RST is done with an output on", protocol.SafeTime, "*RST", forceVoltage(), carried("OUTP{n} ON")),
		setting("*CLS is done", protocol.SettingTime, "*CLS"),
		paths("a path is closed", "ROUT:CLOS (@{path})", 1),
		paths("a path is closed and opened", "ROUT:CLOS (@{path});OPEN (@{path})", 2),
	}
}

// answered wants an answer within a time.
func answered(message string, most time.Duration) step {
	return do(message+" → within "+most.String(), func(t *trial) (string, error) { return t.timed(message, 0, most) })
}
