package conformance

func resetPoints() []point {
	const group = "reset"
	each := func(title string, steps ...step) point {
		return point{group: group, title: title, each: true, steps: steps}
	}
	return []point{
		each("*RST sets everything back",
			carried("SOUR{n}:FUNC:MODE CURR;:SOUR{n}:VOLT:RANG {v.small};:SOUR{n}:CURR:RANG {i.small};:SENS{n}:CURR:PROT {ic};:SENS{n}:VOLT:PROT {vc}"),
			carried("SENS{n}:CURR:APER 0.05;:SENS{n}:AVER:COUN 3;:SENS{n}:AVER ON;:SOUR{n}:VOLT {v};:SOUR{n}:CURR {i}"),
			carried("*RST"),
			ask("SOUR{n}:FUNC:MODE?;:SOUR{n}:VOLT?;:SOUR{n}:CURR?", parts(is("VOLT"), exact("0"), exact("0"))),
			ask("SOUR{n}:VOLT:RANG?;:SOUR{n}:CURR:RANG?", parts(near("{v.large}", 1e-6), near("{i.large}", 1e-6))),
			ask("SENS{n}:VOLT:RANG?;:SENS{n}:CURR:RANG?", parts(near("{sv.large}", 1e-6), near("{si.large}", 1e-6))),
			ask("SENS{n}:CURR:PROT?;:SENS{n}:VOLT:PROT?", parts(exact("0"), exact("0"))),
			ask("SENS{n}:CURR:APER?;:SENS{n}:AVER:COUN?;:SENS{n}:AVER?", parts(near("0.02", 1e-3), exact("1"), is("0")))),
		each("*RST goes back to local sense", carried("SOUR{n}:VOLT:ALC:SOUR {external}"), carried("*RST"), ask("SOUR{n}:VOLT:ALC:SOUR?", is("INT"))),
		each("*RST switches outputs off", forceVoltage(), carried("OUTP{n} ON"), carried("*RST"), ask("OUTP{n}?", is("0")),
			refused("OUTP{n} ON", -221), ask("OUTP{n}?", is("0"))),
		{group: group, title: "*RST opens paths", steps: []step{carried("ROUT:CLOS (@{path})"), carried("*RST"), ask("ROUT:CLOS:STAT?", is("(@)"))}},
		{group: group, title: "*RST forgets the last reading", steps: []step{
			ask("READ? (@{n})", matches("a reading", `^[^,;]+(,[^,;]+){3}$`)), carried("*RST"), refused("FETC?", -230),
		}},
	}
}
