package conformance

import (
	"context"
	"io"
	"net"
	"slices"
	"strings"
	"testing"
	"time"
)

// wrongCard is a card that does one thing wrong.
type wrongCard struct {
	group, title string
	bad          *spoiler
	watchdog     time.Duration // of the card; 0: as it says
	dial         func(context.Context) (io.ReadWriteCloser, error)
	// fails are the points that must fail, and no other of the group.
	fails []string
}

// swap has the card get other messages: old and new in turn.
func swap(pairs ...string) func() *spoiler {
	return func() *spoiler { return &spoiler{ask: strings.NewReplacer(pairs...).Replace} }
}

// instead has the card get another message in place of one.
func instead(message, other string) *spoiler {
	return &spoiler{ask: func(m string) string {
		if m == message {
			return other
		}
		return m
	}}
}

// says has the host get another answer to a message.
func says(message, answer string) *spoiler {
	return &spoiler{answer: func(m, a string) string {
		if m == message {
			return answer
		}
		return a
	}}
}

// answers changes the text of all answers.
func answers(pairs ...string) *spoiler {
	r := strings.NewReplacer(pairs...)
	return &spoiler{answer: func(asked, a string) string {
		if strings.HasPrefix(asked, "*ESE ") && strings.HasSuffix(asked, ";*ESE 0") {
			return a // shows that the line is in step, by numbers that may be any
		}
		return r.Replace(a)
	}}
}

func wrongCards() []wrongCard {
	return slices.Concat(wrongInWords(), wrongInDeeds(), wrongInTime())
}

func wrongInWords() []wrongCard {
	return []wrongCard{
		{group: "identity", title: "three fields", bad: says("*IDN?", "Somebody,Card,1"), fails: []string{"*IDN? answers four fields in at most 72 characters"}},
		{group: "identity", title: "a long name", bad: says("*IDN?", strings.Repeat("n", 70)+",Card,1,1"), fails: []string{"*IDN? answers four fields in at most 72 characters"}},
		{group: "identity", title: "an old standard", bad: says("SYST:VERS?", "1995.0"), fails: []string{"SYSTem:VERSion? answers the edition of the standard"}},
		{group: "messages", title: "one byte more than it should take", bad: &spoiler{ask: func(m string) string {
			if len(m) == 1024 {
				return strings.TrimRight(m, " ")
			}
			return m
		}}, fails: []string{"a message that is one byte too long is dropped whole"}},
		{group: "messages", title: "a short buffer", bad: &spoiler{ask: func(m string) string {
			if len(m) > 1000 {
				return m + strings.Repeat(" ", 1024)
			}
			return m
		}}, fails: []string{"the longest message is taken"}},
		{group: "messages", title: "bytes beyond ASCII ignored", bad: swap("\xb5", "")(), fails: []string{"a byte beyond ASCII drops the message"}},
		{group: "messages", title: "CR is an error", bad: swap("*ESE 3\r", "NOSUCH\r")(), fails: []string{"a CR before the LF is ignored", "a message may come byte by byte"}},
		{group: "messages", title: "TAB is no white space", bad: swap("\t", "_")(), fails: []string{"white space before and after is ignored, TAB is white space"}},
		{group: "commands", title: "no long form", bad: swap(":OUTPUT1:STATE", ":NOSUCH")(), fails: []string{"OUTPut<n>[:STATe] in short and long form"}},
		{group: "commands", title: "no small letters", bad: swap("fetch", "nosuch")(), fails: []string{"FETCh? in short and long form"}},
		{group: "commands", title: "an answer that is no number", bad: says(":SENS1:AVER:COUN?", "two"), fails: []string{"[SENSe<n>]:AVERage:COUNt in short and long form"}},
		{group: "syntax", title: "the path rule left out", bad: swap(";OUTP1?", ";:OUTP1?")(), fails: []string{"a colon goes back to the root, and only a colon"}},
		{group: "syntax", title: "a channel too many", bad: swap("OUTP5 OFF", "OUTP4 OFF")(), fails: []string{"a channel that the card has not is refused, in OUTPut"}},
		{group: "syntax", title: "another number", bad: answers("-109,\"Missing parameter\"", "-108,\"Parameter not allowed\""),
			fails: []string{"a missing parameter is refused", "a missing parameter is refused, of a setting"}},
		{group: "syntax", title: "forms that are none", bad: swap("VOLTA 0", "VOLT 0")(), fails: []string{"neither short nor long form is refused"}},
		{group: "numbers", title: "M is mega", bad: swap("10 ms", "10")(), fails: []string{"M is milli, after white space and in small letters"}},
		{group: "numbers", title: "no binary", bad: swap("#B101", "#B100")(), fails: []string{"#B is read"}},
		{group: "numbers", title: "few digits", bad: says("SOUR1:VOLT?", "0.05"), fails: []string{"V takes multipliers", "a level has all the digits that were sent", "MINimum, MAXimum and DEFault stand for levels"}},
		{group: "errors", title: "no overflow", bad: answers("-350,\"Queue overflow\"", "-113,\"Undefined header\""), fails: []string{"the queue holds 16 errors at least, and then says that it overflowed"}},
		{group: "errors", title: "*CLS does nothing", bad: instead("*CLS", ""), fails: []string{"*CLS empties the queue and the events"}},
		{group: "errors", title: "goes on after an error", bad: swap("*ESE 3;NOSUCH;*ESE 5", "*ESE 3;*ESE 5;NOSUCH")(), fails: []string{"an error stops its message"}},
		{group: "errors", title: "texts of its own", bad: answers("Data out of range", "Too much"),
			fails: []string{"errors come in the order in which they happened", "an error stops its message"}},
		{group: "status", title: "bit 6 kept", bad: answers("191", "255"), fails: []string{"*SRE keeps 0 to 255 without bit 6"}},
		{group: "status", title: "*ESR? clears nothing", bad: says("*ESR?", "32"),
			fails: []string{"*ESR? answers the events and clears them", "*OPC sets bit 0 of the event status"}},
		{group: "status", title: "*STB? knows no errors", bad: says("*STB?", "0"), fails: []string{
			"bit 2 of the status byte: the error queue is not empty", "bit 5 of the status byte: an event that *ESE asks for",
			"bit 6 of the status byte: something that *SRE asks for", "a channel at its voltage limit shows in the questionable status"}},
	}
}

func wrongInDeeds() []wrongCard {
	before := ""
	return []wrongCard{
		{group: "settings", title: "two apertures", bad: says("SENS1:VOLT:APER?", "0.02"), fails: []string{"the aperture is one setting under both names"}},
		{group: "settings", title: "a range too large", bad: swap("SOUR1:VOLT:RANG 1.98", "SOUR1:VOLT:RANG 10")(), fails: []string{"every force voltage range is chosen by what it must hold"}},
		{group: "settings", title: "a compliance of 0", bad: instead("SENS1:CURR:PROT 0", "*WAI"), fails: []string{"a compliance that is not above 0, or beyond all ranges, is refused"}},
		{group: "settings", title: "settings one by one", bad: swap("SOUR1:VOLT 4;:SOUR1:VOLT:RANG 10", "SOUR1:VOLT 4;*WAI;:SOUR1:VOLT:RANG 10")(), fails: []string{"settings of one message take effect together, in any order"}},
		{group: "settings", title: "half of a conflict", bad: swap("SENS1:CURR:APER 0.05;:SENS1:CURR:PROT 1E-05;", "SENS1:CURR:APER 0.05;*WAI;:SENS1:CURR:PROT 1E-05;")(), fails: []string{"of settings that do not fit together none takes effect"}},
		{group: "outputs", title: "on without a compliance", bad: &spoiler{ask: func(m string) string {
			last := before
			if before = m; m == "OUTP1 ON" && strings.Contains(last, "*RST") {
				return "SENS1:CURR:PROT 1E-5;:OUTP1 ON"
			}
			return m
		}}, fails: []string{"an output without a compliance cannot be switched on"}},
		{group: "outputs", title: "OUTP 1 is unknown", bad: swap(":STAT 1", ":STAT FULL")(), fails: []string{"an output is switched by 1 and 0 too"}},
		{group: "outputs", title: "switching off forgets", bad: swap("OUTP1 OFF", "OUTP1 OFF;:SOUR1:VOLT 0")(), fails: []string{"settings outlast switching off"}},
		{group: "readings", title: "FETCh? reads again", bad: swap("FETC?", "READ? (@1)")(), fails: []string{"FETCh? before the first reading has nothing to answer", "FETCh? answers the last reading again"}},
		{group: "readings", title: "an aperture that is not taken", bad: swap("APER 0.1", "APER 0.01")(), fails: []string{"a reading's aperture is really taken"}},
		{group: "readings", title: "an average that is not taken", bad: swap("AVER ON", "AVER OFF")(), fails: []string{"an average takes as many apertures"}},
		{group: "readings", title: "over range unsaid", bad: swap(";:SENS1:CURR:RANG 1E-06", "")(), fails: []string{"a value that its range does not hold says so"}},
		{group: "readings", title: "an unknown channel read", bad: swap("(@1,5)", "(@1)")(), fails: []string{"a channel that the card has not cannot be read"}},
		{group: "readings", title: "the level of before", bad: swap("SOUR1:VOLT -0.05", "*WAI")(), fails: []string{"the level that is set is echoed"}},
		{group: "abort", title: "ABORt switches off", bad: instead("ABOR", "ABOR;*RST"), fails: []string{"ABORt leaves outputs as they are"}},
		{group: "abort", title: "ABORt waits", bad: instead("ABOR", "*WAI"), fails: []string{
			"ABORt ends a reading at once, which is not answered", "ABORt ends an average at once", "ABORt leaves outputs as they are"}},
		{group: "paths", title: "opens by itself", bad: instead("ROUT:CLOS (@1!2)", "ROUT:OPEN (@1!1);CLOS (@1!2)"), fails: []string{"a path whose multiplexer is taken is not closed"}},
		{group: "paths", title: "any order", bad: answers("(@0!1,1!1)", "(@1!1,0!1)"), fails: []string{"several paths are closed, and listed in ascending order"}},
		{group: "paths", title: "part of a list", bad: instead("ROUT:CLOS (@1!1,255!255)", "ROUT:CLOS (@1!1);CLOS (@255!255)"), fails: []string{"an unknown path is refused, and nothing is switched"}},
		{group: "reset", title: "the aperture stays", bad: instead("*RST", "*RST;:SENS1:CURR:APER 0.05"), fails: []string{"*RST sets everything back"}},
		{group: "reset", title: "the compliance stays", bad: instead("*RST", "*RST;:SENS1:CURR:PROT 1E-5"), fails: []string{"*RST sets everything back", "*RST switches outputs off"}},
		{group: "hosts", title: "two hosts", dial: another(nil), fails: []string{"a second connection is closed at once, without a byte", "a second host changes nothing"}},
		{group: "hosts", title: "a greeting before it is closed", dial: another([]byte("busy\n")), fails: []string{"a second connection is closed at once, without a byte", "a second host changes nothing"}},
	}
}

func wrongInTime() []wrongCard {
	slow := func(message string, by time.Duration) *spoiler {
		return &spoiler{answer: func(m, a string) string {
			if m == message {
				time.Sleep(by)
			}
			return a
		}}
	}
	const silent, reset, paths, feeds = "a silent host: the output goes off, and is tripped", "*RST takes the watchdog's trip back",
		"a silent host: paths open, and no channel that was off is tripped", "bytes without the end of a message are silence"
	return []wrongCard{
		{group: "timing", title: "slow to say its level", bad: slow("SOUR1:VOLT?", 35*time.Millisecond), fails: []string{"SOUR1:VOLT? is answered in time"}},
		{group: "timing", title: "slow to switch on", bad: slow("OUTP1 ON;*ESE?", 55*time.Millisecond), fails: []string{"an output is switched on in time"}},
		{group: "watchdog", title: "no watchdog", watchdog: time.Hour, bad: answers("WATCHDOG 3.6E+3", "WATCHDOG 0.2", "WATCHDOG 3600", "WATCHDOG 0.2"), fails: []string{silent, reset, paths, feeds}},
		{group: "watchdog", title: "no trip", bad: says("SOUR1:CURR:PROT:TRIP?", "0"), fails: []string{silent, reset}},
		{group: "watchdog", title: "goes off though the host speaks", bad: instead("*ESR?", "*ESR?;:OUTP1 OFF"), fails: []string{"a host that asks in time keeps an output on"}},
		{group: "watchdog", title: "a reading is silence", bad: instead("READ? (@1)", "READ? (@1);:OUTP1 OFF"), fails: []string{"a reading that takes longer than the watchdog is no silence"}},
		{group: "watchdog", title: "a mistake is silence", bad: instead("NOSUCH", "NOSUCH\nOUTP1 OFF"), fails: []string{"a message with a mistake is no silence"}},
		{group: "watchdog", title: "a watchdog that names itself not", bad: answers(";watchdog", ""), fails: []string{silent, reset, paths, feeds}},
		{group: "watchdog", title: "*RST keeps the trip", bad: says("SOUR1:CURR:PROT:TRIP?", "1"), fails: []string{reset, paths, "with everything off and open silence is nothing"}},
		{group: "restart", title: "a restart unsaid", bad: says("*ESR?", "0"), fails: []string{"a card that has started anew says so"}},
	}
}

// another answers a second connection and keeps it open, or says something
// and closes it.
func another(says []byte) func(context.Context) (io.ReadWriteCloser, error) {
	return func(context.Context) (io.ReadWriteCloser, error) {
		host, card := net.Pipe()
		go func() {
			_, _ = card.Read(make([]byte, 64))
			if says != nil {
				_, _ = card.Write(says)
				_ = card.Close()
			}
		}()
		return host, nil
	}
}

// TestWrongCards holds that what is wrong with a card is found, and found
// where it is: a point that cannot fail is worth nothing.
func TestWrongCards(t *testing.T) {
	t.Parallel()
	tried := map[string]bool{}
	for _, w := range wrongCards() {
		tried[w.group] = true
	}
	for _, group := range Groups() {
		if !tried[group] {
			t.Errorf("no wrong card for the group %q", group)
		}
	}
	begun := map[string]bool{}
	for _, w := range wrongCards() {
		if testing.Short() && begun[w.group] {
			continue // one for each group
		}
		begun[w.group] = true
		t.Run(w.group+"/"+w.title, func(t *testing.T) {
			virtually(t, func(t *testing.T) {
				found, err := w.rig(t).run(w.group)
				if err != nil {
					t.Error(err)
				}
				if got := failed(found); !slices.Equal(got, w.fails) {
					report(t, found)
					t.Errorf("failed %q\n  where %q is right", got, w.fails)
				}
			})
		})
	}
}

// rig is the card with what is wrong.
func (w *wrongCard) rig(t *testing.T) *rig {
	watchdog := w.watchdog
	if watchdog == 0 {
		watchdog = testWatchdog
	}
	r := newRig(t, watchdog, w.bad)
	if w.group != "identity" {
		r.options.Channels = r.options.Channels[:1]
	}
	r.options.Watchdog, r.options.Timeout = testWatchdog, 200*time.Millisecond
	if w.dial != nil {
		r.options.Dial = w.dial
	}
	return r
}
