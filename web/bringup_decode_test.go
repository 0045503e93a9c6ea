package web

import (
	"strings"
	"testing"
	"time"

	"ohmkeep/server/card/protocol"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/quantity"
)

func decoder() *Decoder {
	ref := protocol.Reference()
	return NewDecoder(&ref)
}

// told joins meanings; what is wrong is marked.
func told(list []Meaning) string {
	var out []string
	for _, m := range list {
		if m.Wrong {
			m.Text = "!" + m.Text
		}
		out = append(out, m.Text)
	}
	return strings.Join(out, " | ")
}

// TestEveryExampleIsKnown: whatever the reference gives as an example is found
// in it again.
func TestEveryExampleIsKnown(t *testing.T) {
	d, n := decoder(), 0
	for _, c := range d.ref.Commands {
		for _, e := range c.Examples {
			message, _, _ := strings.Cut(e, "→")
			message = strings.TrimSpace(strings.Split(message, " -> ")[0])
			n++
			units := d.units(message)
			found := false
			for _, u := range units {
				if u.command == nil {
					t.Errorf("%q: %q is not known", e, u.text)
				} else if u.command.Header == c.Header {
					found = true
				}
			}
			if !found {
				t.Errorf("%q, an example of %s, is taken for something else", message, c.Header)
			}
		}
	}
	if n < 40 {
		t.Errorf("only %d examples", n)
	}
}

func TestMessageWords(t *testing.T) {
	for _, c := range []struct{ message, want string }{
		{"*IDN?", "Says who the card is"},
		{"sour2:volt -0.0015", "Sets the voltage that the channel forces, channel 2: −1.5 mV"},
		{":SOURCE1:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE 3.3", "Sets the voltage that the channel forces, channel 1: 3.3 V"},
		{"VOLT 1", "Sets the voltage that the channel forces, channel 1: 1 V"},
		{"SOUR1:VOLT?", "Asks for the voltage that the channel forces, channel 1"},
		{"SENS1:CURR:APER 0.02", "Sets how long the channel integrates for a reading, channel 1: 20 ms"},
		{"OUTP1 ON", "Switches the output on at the level that is set, or takes it to zero and off, channel 1: on"},
		{"ROUT:CLOS (@1!12,0!7)", "Closes the paths, written line!contact: channel 1 to contact 12, return to contact 7"},
		{"*ESE 36", "Sets which bits of the standard event status register show in the status byte: 36: query error, command error"},
		{"*ESE -1", "Sets which bits of the standard event status register show in the status byte: -1"},
		{"*SRE 99999", "Sets which bits of the status byte set its bit 6: 99999"},
		// After a header the next continues at its level (SCPI-1999 volume 1, 6.2.4).
		{"SENS1:CURR:RANG 1E-3;PROT 2E-3", "Sets the range in which the current is read, channel 1: 1 mA | Sets the limit of the current while a voltage is forced (the compliance), channel 1: 2 mA"},
		{"SENS1:CURR:RANG 1E-3;*ESR?;PROT 2E-3", "Sets the range in which the current is read, channel 1: 1 mA | Reads the standard event status register and clears it | Sets the limit of the current while a voltage is forced (the compliance), channel 1: 2 mA"},
		{"SOUR1:VOLT 1;SENS1:CURR:PROT 1", "Sets the voltage that the channel forces, channel 1: 1 V | !SENS1:CURR:PROT is not known at this level: begin it with a colon"},
		{"VOLTAG 1", "!VOLTAG is not in the protocol"},
		{"*IDN", "!*IDN is not in the protocol"},
		{"ABOR?", "!ABOR is not in the protocol"},
	} {
		if got := told(decoder().Message(c.message)); got != c.want {
			t.Errorf("%s\n got %s\nwant %s", c.message, got, c.want)
		}
	}
}

func TestAnswerWords(t *testing.T) {
	for _, c := range []struct{ asked, answer, want string }{
		{"*ESR?", "0", "0: none set"},
		{"*ESR?", "160", "160: command error, power on"}, // IEEE 488.2, 11.5.1.1: bits 5 and 7
		{"*ESR?", "-1", "-1"},
		{"STAT:QUES?", "-2", "-2"},
		{"READ?", "1,2,-1,4", "channel 1: 1 V, 2 A, status -1, set to 4"},
		{"*STB?", "4", "4: an error is in the queue"},
		{"*IDN?", "Example,Card,7,1.0", "maker Example, model Card, serial 7, version 1.0"},
		{"SOUR1:VOLT?", "3.3E+0", "3.3 V"},
		{"SOUR1:CURR?", "9.9E37", "+infinity"}, // SCPI-1999 volume 1, 7.2.1.4
		{"SOUR1:CURR?", "-9.9E37", "−infinity"},
		{"SOUR1:CURR?", "9.91E37", "not a number"}, // 7.2.1.5
		{"OUTP1?", "1", "on"}, {"OUTP1?", "0", "off"},
		{"SENS1:CURR:PROT:TRIP?", "1", "at the limit"},
		{"STAT:QUES:COND?", "2", "2: a current at its limit"},
		{"ROUT:CLOS:STAT?", "(@)", "no path is closed"},
		{"ROUT:CLOS:STAT?", "(@0!7,1!12)", "closed: return to contact 7, channel 1 to contact 12"},
		{"ROUT:CLOS? (@1!12,1!13)", "1,0", "closed, open"},
		{"READ? (@1,2)", "1.25,-2.5E-3,5,1.25,0.5,9.9E37,2,0", "channel 1: 1.25 V, −2.5 mA, status 5: at its limit, output on, set to 1.25; " +
			"channel 2: 500 mV, +infinity, status 2: over range, set to 0"},
		{"READ?", "1,2,3", "!3 values; a reading has four for each channel"},
		{"SYST:ERR?", `0,"No error"`, "no error"},
		{"SYST:ERR?", `-113,"Undefined header"`, `!error -113, Undefined header`},
		{"SOUR1:VOLT?;:OUTP1?", "1;1", "1 V | on"},
		{"SOUR1:VOLT?;:OUTP1?", "1", "!1 answer; 2 are expected: not the answer to what was asked last"},
	} {
		d := decoder()
		d.Event(cardinfo.Event{Dir: cardinfo.Out, Bytes: []byte(c.asked + "\n")})
		got := told(d.Event(cardinfo.Event{Dir: cardinfo.In, Bytes: []byte(c.answer + "\n")}))
		if got != c.want && !(strings.HasPrefix(c.want, "!error") && strings.HasPrefix(got, c.want)) {
			t.Errorf("%s → %s\n got %s\nwant %s", c.asked, c.answer, got, c.want)
		}
	}
}

// TestPiecesOfLines: lines that come in pieces, merged, with CR or echoed are
// read whole, each connection for itself; nothing is an answer twice.
func TestPiecesOfLines(t *testing.T) {
	d := decoder()
	event := func(connection string, dir cardinfo.Direction, text string) string {
		return told(d.Event(cardinfo.Event{Connection: connection, Dir: dir, Bytes: []byte(text)}))
	}
	for i, c := range []struct {
		connection string
		dir        cardinfo.Direction
		text, want string
	}{
		{"a", cardinfo.Out, "SOUR1:VO", ""},
		{"a", cardinfo.Out, "LT?\n", "Asks for the voltage that the channel forces, channel 1"},
		{"b", cardinfo.Out, "OUTP1?\n", "Asks how this stands: switches the output on at the level that is set, or takes it to zero and off, channel 1"},
		{"a", cardinfo.In, "SOUR1:VOLT?\r\n", "echo of what was sent"},
		{"a", cardinfo.In, "2.5", ""},
		{"b", cardinfo.In, "1\r\n", "on"},
		{"a", cardinfo.In, "\r\n7\n", "2.5 V | !a line that nothing asked for"},
		{"a", cardinfo.Out, "SOUR1:VOLT?\n", "Asks for the voltage that the channel forces, channel 1"},
		{"a", cardinfo.In, "2", ""},
		{"a", cardinfo.Note, "a reading is taken again", ""},
		{"a", cardinfo.In, "5\n", "25 V"},
		{"a", cardinfo.In, "2", ""},
		{"a", cardinfo.Note, "the connection has ended: by the card", ""},
		{"a", cardinfo.In, "5\n", "!a line that nothing asked for"},
		// Getting in step again: whatever comes before the pair is older.
		{"a", cardinfo.Out, "SOUR1:VOLT?\n", "Asks for the voltage that the channel forces, channel 1"},
		{"a", cardinfo.Out, "\n*ESE 143;*ESE?;*ESE 244;*ESE?;*ESE 0\n", "Asks for a pair of numbers that nothing else answers, to get in step again"},
		{"a", cardinfo.In, "3\n143;2", "!older than the pair that is waited for: thrown away"},
		{"a", cardinfo.In, "44\n", "the pair: host and card are in step"},
		{"a", cardinfo.In, "7\n", "!a line that nothing asked for"},
	} {
		if got := event(c.connection, c.dir, c.text); got != c.want {
			t.Errorf("event %d %q: %q, want %q", i+1, c.text, got, c.want)
		}
	}
}

func TestOnlyAsks(t *testing.T) {
	d := decoder()
	for message, want := range map[string]bool{
		"*IDN?": true, "SYST:ERR?;*ESR?": true, "READ? (@1,2)": true, "ROUT:CLOS:STAT?": true, "SOUR1:VOLT? MAX": true, "OUTP1?;": true,
		"": false, ";": false, "*RST": false, "OUTP1 ON": false, "SOUR1:VOLT 1;VOLT?": false, "*IDN?;OUTP1 ON": false, "*TST?": false,
		"MEAS:VOLT?": false, "*IDN?\nOUTP1 ON": false, "*IDN?\rOUTP1 ON": false, "OUTP1 ON ?": false, "\"?\"": false, "?": false, "*IDN? ;:OUTP ON": false,
	} {
		if got := d.OnlyAsks(message); got != want {
			t.Errorf("%q: %t", message, got)
		}
	}
}

// FuzzDecoder: whatever comes over a wire is decoded without harm, and what a
// message is counts as asking only where every part of it is a query.
func FuzzDecoder(f *testing.F) {
	for _, s := range []string{"*IDN?", "READ? (@1)", ":SENS1:CURR:PROT 1;:OUTP ON", "\x00\xff;;\";(", "SOUR:VOLT 1E999", "*ESR?;*STB?", "*ESE -1"} {
		f.Add([]byte(s), []byte("1.25,0,5,1;3\r\n"))
	}
	f.Fuzz(func(t *testing.T, out, in []byte) {
		d := decoder()
		rows := d.Rows([]cardinfo.Event{{N: 1, Dir: cardinfo.Out, Bytes: append(out, '\n')}, {N: 2, Dir: cardinfo.In, Bytes: append(in, '\n')}, {N: 3, Dir: cardinfo.In, Bytes: in}})
		_ = TrafficText(rows)
		if d.OnlyAsks(string(out)) {
			for _, u := range d.units(string(out)) {
				if !strings.Contains(u.text, "?") {
					t.Errorf("%q does more than ask", u.text)
				}
			}
		}
		if c := d.on[""]; len(c.in) > longestLine || len(c.out) > longestLine {
			t.Errorf("%d and %d bytes are kept of lines that do not end", len(c.in), len(c.out))
		}
	})
}

func TestRowsTimeAndText(t *testing.T) {
	at := time.Date(2030, 1, 1, 8, 0, 0, 250e6, time.UTC)
	rows := decoder().Rows([]cardinfo.Event{
		{N: 1, At: at, Connection: "a", Dir: cardinfo.Out, Bytes: []byte("*IDN?\n")},
		{N: 2, At: at.Add(1500 * time.Microsecond), Connection: "a", Dir: cardinfo.In, Bytes: []byte("A,B\tC\x1b\xfe,1,2\r\n")},
		{N: 3, At: at.Add(1001500 * time.Microsecond), Connection: "a", Dir: cardinfo.Note, Bytes: []byte("it hung\nup")},
	})
	if rows[0].Since >= 0 || sinceWords(rows[1].Since) != "+1.50 ms" || sinceWords(rows[2].Since) != "+1000 ms" {
		t.Errorf("%v %v %v", rows[0].Since, sinceWords(rows[1].Since), sinceWords(rows[2].Since))
	}
	if got := Visible(rows[1].Bytes); got != "A,B<TAB>C<ESC><0xFE>,1,2<CR><LF>" {
		t.Errorf("text %q", got)
	}
	text := TrafficText(rows)
	if lines := strings.Split(strings.TrimSpace(text), "\n"); len(lines) != 3 || !strings.Contains(lines[2], "it hung up") || !strings.Contains(lines[0], "# Says who") {
		t.Errorf("%s", text)
	}
	page := render(t, Traffic("", rows))
	for _, want := range []string{`<span class="ctl">LF</span>`, "2A 49 44 4E 3F 0A", "08:00:00.251"} {
		if !strings.Contains(page, want) {
			t.Errorf("the rows lack %s", want)
		}
	}
}

// Every unit that the reference names is one that numbers are shown in.
func TestReferenceUnits(t *testing.T) {
	n := map[quantity.Unit]int{}
	d := decoder()
	for i := range d.ref.Commands {
		u := unit{command: &d.ref.Commands[i]}
		n[u.of()]++
	}
	if n[quantity.Volt] < 4 || n[quantity.Ampere] < 4 || n[quantity.Second] < 2 {
		t.Errorf("%v", n)
	}
}
