package conformance

import (
	"fmt"

	"ohmkeep/server/card/scpi"
)

func restartPoints() []point {
	const group = "restart"
	return []point{
		{group: group, title: "a card that has started anew says so", steps: []step{
			carried("*ESE 3"), carried("SOUR{n}:VOLT {v}"), do("the card is switched off and on", restart),
			do("*ESR? → 128, once", func(t *trial) (string, error) {
				answer := t.noted["events"]
				if events, err := register(answer); err != nil || events&scpi.EventPowerOn == 0 {
					return "", wrong(answer)
				}
				return answer, nil
			}),
			ask("*ESR?", is("0")), ask("*ESE?;*SRE?;:SYST:ERR:COUN?", is("0;0;0")),
			ask("OUTP{n}?;:SOUR{n}:VOLT?;:SENS{n}:CURR:PROT?", parts(is("0"), exact("0"), exact("0"))), refused("FETC?", -230),
		}},
	}
}

// restart has the card restarted, and asks for its event status before
// anything else.
func restart(t *trial) (string, error) {
	if t.o.Restart == nil {
		return "", skip("nobody is there to switch the card off and on")
	}
	line, stream, err := t.o.Restart(t.ctx)
	if err != nil {
		return "", fmt.Errorf("the card did not come back: %w", err)
	}
	t.line, t.o.Stream = line, stream
	// A line that is new is out of step, and a resync would change *ESE.
	lines, err := t.gather("*ESR?", t.pause())
	if err != nil {
		return "", err
	}
	if len(lines) == 0 {
		return "", wrong("*ESR? is not answered")
	}
	// What starts may have sent a banner before.
	t.noted["events"] = lines[len(lines)-1]
	return t.noted["events"], nil
}
