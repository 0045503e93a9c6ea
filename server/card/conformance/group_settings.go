package conformance

import (
	"fmt"

	"ohmkeep/server/bench"
)

// Everything that is set of a channel, in one message, as the host sends it:
// what an output that is on gets. See levels.
const (
	voltageSetup = "SOUR{n}:FUNC:MODE VOLT;:SOUR{n}:VOLT:RANG {vr};:SOUR{n}:VOLT {v};:SENS{n}:CURR:RANG {ir};:SENS{n}:CURR:PROT {ic}"
	currentSetup = "SOUR{n}:FUNC:MODE CURR;:SOUR{n}:CURR:RANG {fr};:SOUR{n}:CURR {i};:SENS{n}:VOLT:RANG {cr};:SENS{n}:VOLT:PROT {vc}"
)

func forceVoltage() step { return carried(voltageSetup) }
func forceCurrent() step { return carried(currentSetup) }

func settingPoints() []point {
	const group = "settings"
	each := func(title string, steps ...step) point {
		return point{group: group, title: title, each: true, steps: steps}
	}
	const (
		vrange, irange = "SOUR{n}:VOLT:RANG ", "SOUR{n}:CURR:RANG "
		aper, count    = "SENS{n}:CURR:APER", "SENS{n}:AVER:COUN"
	)
	return []point{
		each("the mode is kept and answered",
			keeps("SOUR{n}:FUNC:MODE CURR", "SOUR{n}:FUNC:MODE?", is("CURR")), keeps("SOUR{n}:FUNC:MODE VOLTAGE", "SOUR{n}:FUNC:MODE?", is("VOLT"))),
		each("every force voltage range is chosen by what it must hold", everyRange("SOUR{n}:VOLT:RANG", func(c *Channel) []bench.Range { return c.ForceV })),
		each("every force current range is chosen by what it must hold", everyRange("SOUR{n}:CURR:RANG", func(c *Channel) []bench.Range { return c.ForceI })),
		each("every sense voltage range is chosen by what it must hold", everyRange("SENS{n}:VOLT:RANG", func(c *Channel) []bench.Range { return c.SenseV })),
		each("every sense current range is chosen by what it must hold", everyRange("SENS{n}:CURR:RANG", func(c *Channel) []bench.Range { return c.SenseI })),
		each("a range beyond the largest is refused",
			refused(vrange+"{v.beyond}", -222), refused(irange+"{i.beyond}", -222),
			refused("SENS{n}:VOLT:RANG {sv.beyond}", -222), refused("SENS{n}:CURR:RANG {si.beyond}", -222),
			ask("SOUR{n}:VOLT:RANG?", near("{v.large}", 1e-6)), ask("SENS{n}:CURR:RANG?", near("{si.large}", 1e-6))),
		each("a voltage is kept and answered",
			carried(vrange+"{vr}"), keeps("SOUR{n}:VOLT {v}", "SOUR{n}:VOLT?", level("{v}", "{vr}")),
			keeps("SOUR{n}:VOLT -{v}", "SOUR{n}:VOLT?", level("-{v}", "{vr}"))),
		each("a current is kept and answered",
			carried("SOUR{n}:FUNC:MODE CURR;:"+irange+"{fr}"), keeps("SOUR{n}:CURR {i}", "SOUR{n}:CURR?", level("{i}", "{fr}")),
			keeps("SOUR{n}:CURR -{i}", "SOUR{n}:CURR?", level("-{i}", "{fr}"))),
		each("a level beyond the largest range is refused",
			refused("SOUR{n}:VOLT {v.beyond}", -222), refused("SOUR{n}:VOLT -{v.beyond}", -222), ask("SOUR{n}:VOLT?", exact("0")),
			carried("SOUR{n}:FUNC:MODE CURR"), refused("SOUR{n}:CURR {i.beyond}", -222), ask("SOUR{n}:CURR?", exact("0"))),
		each("a level that its range does not hold is refused",
			carried(vrange+"{v.small}"), refused("SOUR{n}:VOLT {v.between}", -222, -221), ask("SOUR{n}:VOLT?", exact("0"))),
		each("a range that does not hold its level is a settings conflict",
			carried(vrange+"{v.large};:SOUR{n}:VOLT {v.between}"), refused(vrange+"{v.small}", -221),
			ask("SOUR{n}:VOLT:RANG?", near("{v.large}", 1e-6)), carried("SOUR{n}:VOLT 0")),
		each("settings of one message take effect together, in any order",
			carried(vrange+"{v.large};:SOUR{n}:VOLT {v.between}"),
			carried(vrange+"{v.small};:SOUR{n}:VOLT 0"), ask("SOUR{n}:VOLT:RANG?", near("{v.small}", 1e-6)),
			carried("SOUR{n}:VOLT {v.between};:"+vrange+"{v.large}"), ask("SOUR{n}:VOLT:RANG?", near("{v.large}", 1e-6)), carried("SOUR{n}:VOLT 0")),
		each("of settings that do not fit together none takes effect",
			refused("SENS{n}:CURR:APER 0.05;:SENS{n}:CURR:PROT {ic};:SOUR{n}:VOLT {v.between};:"+vrange+"{v.small}", -221),
			ask("SENS{n}:CURR:APER?", near("0.02", 1e-3)), ask("SENS{n}:CURR:PROT?", exact("0")),
			ask("SOUR{n}:VOLT?", exact("0")), ask("SOUR{n}:VOLT:RANG?", near("{v.large}", 1e-6))),
		each("settings that wait for a mistake's end do not take effect",
			refused("SENS{n}:CURR:APER 0.05;APER 99", -222), ask("SENS{n}:CURR:APER?", near("0.02", 1e-3))),
		each("a query answers what is set after what stands before it",
			ask("SOUR{n}:VOLT:RANG {v.small};RANG?;:SOUR{n}:VOLT:RANG {v.large};RANG?", parts(near("{v.small}", 1e-6), near("{v.large}", 1e-6)))),
		each("settings take effect before a unit that is none",
			refused("SOUR{n}:VOLT {v.between};:"+vrange+"{v.small};*ESE 3;:SOUR{n}:VOLT 0", -221), ask("*ESE?", is("0")),
			refused(vrange+"{v.small};*ESE 5;:SOUR{n}:VOLT {v.between}", -222, -221), ask("*ESE?", is("5")),
			ask("SOUR{n}:VOLT:RANG?", near("{v.small}", 1e-6))),
		each("the compliance of a forced voltage is kept and answered",
			keeps("SENS{n}:CURR:PROT {ic}", "SENS{n}:CURR:PROT?", near("{ic}", 0.01))),
		each("the compliance of a forced current is kept and answered",
			keeps("SENS{n}:VOLT:PROT {vc}", "SENS{n}:VOLT:PROT?", near("{vc}", 0.01))),
		each("a compliance that is not above 0, or beyond all ranges, is refused",
			refused("SENS{n}:CURR:PROT 0", -222), refused("SENS{n}:CURR:PROT -{ic}", -222), refused("SENS{n}:CURR:PROT {si.beyond}", -222, -221),
			refused("SENS{n}:VOLT:PROT 0", -222), refused("SENS{n}:VOLT:PROT -{vc}", -222), refused("SENS{n}:VOLT:PROT {sv.beyond}", -222, -221),
			ask("SENS{n}:CURR:PROT?;:SENS{n}:VOLT:PROT?", parts(exact("0"), exact("0")))),
		each("the aperture is one setting under both names",
			keeps(aper+" 0.05", "SENS{n}:VOLT:APER?", near("0.05", 1e-3)), keeps("SENS{n}:VOLT:APER 0.03", aper+"?", near("0.03", 1e-3))),
		each("the aperture goes from 10 us to 10 s",
			keeps(aper+" 1E-5", aper+"?", near("1E-5", 0.1)), keeps(aper+" 10", aper+"?", near("10", 1e-3)),
			refused(aper+" 9E-6", -222), refused(aper+" 10.5", -222), refused(aper+" 0", -222), refused(aper+" -0.02", -222), ask(aper+"?", near("10", 1e-3))),
		each("the average goes from 1 to 1000 readings",
			keeps(count+" 1", count+"?", exact("1")), keeps(count+" 1000", count+"?", exact("1000")),
			refused(count+" 0", -222), refused(count+" 1001", -222), ask(count+"?", exact("1000"))),
		each("the average is switched on and off", keeps("SENS{n}:AVER ON", "SENS{n}:AVER?", is("1")), keeps("SENS{n}:AVER OFF", "SENS{n}:AVER?", is("0"))),
		each("local and remote sense are chosen, where the channel has sense terminals", do("EXT → kept, or -241 without sense terminals; INT → kept", remoteSense)),
		each("nothing is tripped, and clearing that is no error",
			ask("SOUR{n}:CURR:PROT:TRIP?;:SENS{n}:CURR:PROT:TRIP?;:SENS{n}:VOLT:PROT:TRIP?", is("0;0;0")), carried("SOUR{n}:CURR:PROT:CLE")),
	}
}

// everyRange asks for each range of a kind by its full scale, and by most of it.
func everyRange(header string, of func(*Channel) []bench.Range) step {
	return do(header+" <x>, "+header+"? → the full scale of the smallest range that holds x", func(t *trial) (string, error) {
		ranges := of(t.card.channel(t.channel))
		if t.card.noRanges != "" || len(ranges) == 0 {
			return "", skip("the channel has no such range: " + t.card.noRanges)
		}
		came := ""
		for _, r := range ranges {
			for _, x := range []float64{0.99 * r.FullScale, r.FullScale} {
				s := keeps(header+" "+number(x), header+"?", near(number(r.FullScale), 1e-6))
				answer, err := s.do(t)
				if err != nil {
					return "", fmt.Errorf("for %s: %w", number(x), err)
				}
				came += answer + " "
			}
		}
		return came, nil
	})
}

func remoteSense(t *trial) (string, error) {
	steps := []step{refused("SOUR{n}:VOLT:ALC:SOUR EXT", -241), ask("SOUR{n}:VOLT:ALC:SOUR?", is("INT"))}
	if t.card.channel(t.channel).RemoteSense {
		steps = []step{
			keeps("SOUR{n}:VOLT:ALC:SOUR EXT", "SOUR{n}:VOLT:ALC:SOUR?", is("EXT")),
			keeps("SOUR{n}:VOLT:ALC:SOUR INTERNAL", "SOUR{n}:VOLT:ALC:SOUR?", is("INT")),
		}
	}
	came := ""
	for _, s := range steps {
		var err error
		if came, err = s.do(t); err != nil {
			return "", err
		}
	}
	return came, nil
}
