package conformance

import (
	"fmt"
	"strconv"
)

func identityPoints() []point {
	const group = "identity"
	return []point{
		{group: group, title: "*IDN? answers four fields in at most 72 characters", steps: []step{
			ask("*IDN?", matches("maker,model,serial,version, at most 72 characters", `^[^,;]{1,72},[^,;]{1,72},[^,;]{1,72},[^,;]{1,72}$`)),
			ask("*IDN?", want{"at most 72 characters", func(_ *trial, answer string) error {
				if len(answer) > 72 {
					return fmt.Errorf("%d characters", len(answer))
				}
				return nil
			}}),
			noError(),
		}},
		{group: group, title: "*OPT? answers what the card has", steps: []step{
			ask("*OPT?", want{"CHANNELS <k>,WATCHDOG <s>,MESSAGE <bytes>, of a watchdog and 1024 bytes at least", func(t *trial, answer string) error {
				if _, err := t.readOptions(t); err != nil {
					return err
				}
				if t.card.message < 1024 || t.card.watchdog <= 0 {
					return fmt.Errorf("no watchdog, or messages of less than 1024 bytes")
				}
				return nil
			}}),
		}},
		{group: group, title: "*OPT? counts the channels", steps: []step{
			do("CHANNELS {channels}, and OUTP<n>? of each is answered", func(t *trial) (string, error) {
				if t.card.announced != len(t.card.channels) {
					return "", wrongf("CHANNELS %d, and %d are known", t.card.announced, len(t.card.channels))
				}
				for _, n := range t.card.numbers() {
					if _, err := t.ask("OUTP" + strconv.Itoa(n) + "?"); err != nil {
						return "", fmt.Errorf("OUTP%d?: %w", n, err)
					}
				}
				return strconv.Itoa(t.card.announced), nil
			}),
		}},
		{group: group, title: "SYSTem:VERSion? answers the edition of the standard", steps: []step{ask("SYST:VERS?", is("1999.0"))}},
		{group: group, title: "*TST? finds nothing wrong", steps: []step{ask("*TST?", is("0"))}},
	}
}
