package conformance

import "fmt"

func errorPoints() []point {
	const group = "errors"
	return []point{
		{group: group, title: "without an error the queue says so", steps: []step{ask("SYST:ERR?;:SYST:ERR:NEXT?;:SYST:ERR:COUN?", is(`0,"No error";0,"No error";0`))}},
		{group: group, title: "errors come in the order in which they happened", steps: []step{
			tell("NOSUCH", "*ESE 999", "OUTP{nobody} OFF"), queued(-113, -222, -114),
		}},
		{group: group, title: "errors are counted", steps: []step{
			ask("SYST:ERR:COUN?", is("0")), tell("NOSUCH", "*ESE 999"), ask("SYST:ERR:COUN?", is("2")),
			ask("SYST:ERR:NEXT?;:SYST:ERR:COUN?", parts(errorOf(-113), is("1"))),
		}},
		{group: group, title: "*CLS empties the queue and the events", steps: []step{
			tell("NOSUCH", "*ESE 999", "*CLS"), ask("SYST:ERR:COUN?;*ESR?", is("0;0")), queued(),
		}},
		{group: group, title: "*RST keeps the queue", steps: []step{tell("NOSUCH", "*RST"), queued(-113)}},
		{group: group, title: "a command error sets bit 5 of the event status", steps: []step{tell("NOSUCH"), ask("*ESR?", bits(32, 16+8+4))}},
		{group: group, title: "an execution error sets bit 4 of the event status", steps: []step{tell("*ESE 999"), ask("*ESR?", bits(16, 32+8+4))}},
		{group: group, title: "a device error sets bit 3 of the event status", steps: []step{
			long("*ESE 3", 10, false), ask("*ESR?", bits(8, 32+16+4)),
		}},
		{group: group, title: "the queue holds 16 errors at least, and then says that it overflowed", steps: []step{
			do("40 times NOSUCH → at least 15 of -113, then -350", overflow), ask("*ESR?", bits(32+8, 16+4)), noError(),
		}},
		{group: group, title: "an error stops its message", steps: []step{
			refused("*ESE 3;NOSUCH;*ESE 5", -113), ask("*ESE?", is("3")),
			refused("*ESE 4;*ESE 999;*ESE 5", -222), ask("*ESE?", is("4")),
		}},
		{group: group, title: "what a message asked before its error is answered, what comes after is not", steps: []step{
			lines("*ESE 3;*ESE?;NOSUCH;*SRE?", is("3")), errorIs(-113),
		}},
		{group: group, title: "an error does not stop the next message", steps: []step{
			lines("NOSUCH\n*ESE 3\n*ESE?", is("3")), errorIs(-113),
		}},
	}
}

// errorOf wants an entry of the queue.
func errorOf(number int) want {
	return want{fmt.Sprintf("%d", number), func(_ *trial, answer string) error {
		code, err := entry(answer)
		if err == nil && int(code) != number {
			err = fmt.Errorf("not %d", number)
		}
		return err
	}}
}

// queued wants these errors in the queue, and no more.
func queued(numbers ...int) step {
	return step{fmt.Sprintf("SYST:ERR? → %v and then 0", numbers), func(t *trial) (string, error) {
		var came []int
		for {
			answer, err := t.ask("SYST:ERR?")
			if err != nil {
				return "", err
			}
			code, err := entry(answer)
			if err != nil {
				return "", err
			}
			if code == 0 || len(came) > len(numbers) {
				break
			}
			came = append(came, int(code))
		}
		if fmt.Sprint(came) != fmt.Sprint(numbers) {
			return "", wrong(fmt.Sprint(came))
		}
		return fmt.Sprint(came), nil
	}}
}

// overflow puts more errors into the queue than it is likely to hold.
func overflow(t *trial) (string, error) {
	const sent, least = 40, 16
	for range sent {
		if err := t.tell("NOSUCH"); err != nil {
			return "", err
		}
		// One at a time: a card need not have room for all the messages.
		if _, err := t.ask("*ESE?"); err != nil {
			return "", err
		}
	}
	var entries []string
	for range sent + 1 {
		answer, err := t.ask("SYST:ERR?")
		if err != nil {
			return "", err
		}
		code, err := entry(answer)
		if err != nil {
			return "", err
		}
		if code == 0 {
			break
		}
		entries = append(entries, answer)
	}
	n := len(entries)
	came := fmt.Sprintf("%d entries", n)
	if n > 0 {
		came += ", the last one " + entries[n-1]
	}
	for i, e := range entries {
		code, _ := entry(e)
		last := i == n-1
		if last && n < sent && code != -350 || !last && code != -113 || last && n == sent && code != -113 {
			return "", wrongf("%s; entry %d is %s", came, i+1, e)
		}
	}
	switch {
	case n < least:
		return "", wrong(came)
	case n == sent:
		return "", skip(fmt.Sprintf("the queue holds %d errors or more, so that it was not filled", sent))
	}
	return came, nil
}
