package emulator

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal"
)

// Each message is these calls of the link and no others.
func TestMessagesBecomeCalls(t *testing.T) {
	f := newFakeLink(rehearsal.DefaultBench())
	c := newCard(t, Config{Link: f})
	k := talk(t, c)
	set := func(n, setup string) string { return "set " + n + " " + setup }
	for _, x := range []struct {
		message string
		calls   []string
	}{
		{"*RST", []string{"make safe"}},
		{"*IDN?;*OPT?;OUTP?;:SYST:ERR?;*STB?", nil},
		{"SOUR1:VOLT 1", nil}, // without a limit no link would take it
		{"SENS1:CURR:APER 1E-3;:SENS1:AVER:COUN 3", nil},
		{"SOUR1:FUNC:MODE VOLT;:SOUR1:VOLT:RANG 10;:SOUR1:VOLT 3.3;:SENS1:CURR:RANG 1E-3;:SENS1:CURR:PROT 5E-4",
			[]string{set("1", "{Mode:voltage Level:3.3 Range:10 Compliance:0.0005 SenseRange:0.001 Remote:false}")}},
		{"OUTP1 ON", []string{"output 1 true"}},
		{"SOUR1:VOLT 2.5", []string{set("1", "{Mode:voltage Level:2.5 Range:10 Compliance:0.0005 SenseRange:0.001 Remote:false}")}},
		{"SOUR1:VOLT 2.5", []string{set("1", "{Mode:voltage Level:2.5 Range:10 Compliance:0.0005 SenseRange:0.001 Remote:false}")}},
		{"SOUR1:VOLT:ALC:SOUR EXT", []string{set("1", "{Mode:voltage Level:2.5 Range:10 Compliance:0.0005 SenseRange:0.001 Remote:true}")}},
		{"SOUR1:VOLT 1;:SOUR2:FUNC:MODE CURR;:SOUR2:CURR 1E-5;:SENS2:VOLT:PROT 2;*OPC", []string{
			set("1", "{Mode:voltage Level:1 Range:10 Compliance:0.0005 SenseRange:0.001 Remote:true}"),
			set("2", "{Mode:current Level:1e-05 Range:0.1 Compliance:2 SenseRange:10 Remote:false}")}},
		{"ROUT:CLOS (@1!3,2!3,0!7)", []string{"close [3 51 199]"}},
		{"ROUT:CLOS (@1!3)", []string{"close [3 51 199]"}},
		{"ROUT:OPEN (@2!3)", []string{"close [3 199]"}},
		{"READ?", []string{"read [1] 1ms"}},
		{"READ? (@1);READ? (@1)", []string{"read [1] 1ms", "read [1] 1ms"}},
		{"SENS2:VOLT:APER 1E-3;:READ? (@2,1)", []string{"read [2 1] 1ms"}},
		{"SENS2:VOLT:APER 0.0000123456;:READ? (@2)", []string{"read [2] 12.346µs"}},
		{"FETC?", nil},
		{"SENS1:AVER ON;:READ?", []string{"read [1] 1ms", "read [1] 1ms", "read [1] 1ms"}},
		{"SENS2:VOLT:APER 1.5E-3;:READ? (@1,2)", // 1 ms three times beside 1.5 ms once
			[]string{"read [1 2] 1ms", "read [1 2] 500µs", "read [1] 1ms", "read [1] 500µs"}},
		{"OUTP2 ON;OUTP1 OFF", []string{"output 2 true", "output 1 false"}},
		{"ROUT:OPEN:ALL", []string{"close []"}},
		{"ABOR", nil},
		{"ABOR;*RST", []string{"make safe"}},
	} {
		f.since()
		k.tell(x.message)
		k.tell("*OPC?")
		for k.line() != "1" { // what the message answers comes before
		}
		if diff := cmp.Diff(x.calls, f.since()); diff != "" {
			t.Errorf("%s: calls differ (-want +got):\n%s", x.message, diff)
		}
	}
	k.wants("SYST:ERR?", noError)
	if b := f.brokenRules(); len(b) > 0 {
		t.Error(b)
	}
}

func TestCoupledSettings(t *testing.T) {
	f := newFakeLink(rehearsal.DefaultBench())
	k := talk(t, newCard(t, Config{Link: f}))
	k.does("SENS1:CURR:PROT 1E-3")
	// In any order, together.
	k.does("SOUR1:VOLT 1;VOLT:RANG 2")
	k.does("SOUR1:VOLT 7;VOLT:RANG 10")
	f.since()
	// None of them, where they do not fit together.
	k.refuses("SENS1:CURR:PROT 2E-3;:SOUR1:VOLT:RANG 2", conflict)
	k.refuses("SOUR1:VOLT:RANG 2;*ESE 3;:SOUR1:VOLT 0", conflict)
	k.refuses("SENS1:CURR:PROT 2E-3;:SENS1:CURR:APER 99", range222)
	k.refuses("SENS1:CURR:PROT 2E-3;:SENS1:CURR:PROT ON", `-104,"Data type error"`)
	k.refuses("SENS1:CURR:RANG 1E-4", conflict) // does not hold its limit
	k.wants("SENS1:CURR:PROT?;:SOUR1:VOLT:RANG?;*ESE?", "1.0E-3;1.0E+1;0")
	if calls := f.since(); calls != nil {
		t.Errorf("what was refused became %v", calls)
	}
	// What stands before a query or a mistake in a header has taken effect.
	k.wants("SENS1:CURR:PROT 2E-3;:SENS1:CURR:PROT?", "2.0E-3")
	k.refuses("SENS1:CURR:PROT 3E-3;:NOSUCH", `-113,"Undefined header"`)
	k.wants("SENS1:CURR:PROT?", "3.0E-3")
	k.wants("SOUR1:VOLT:RANG 2;:SOUR1:VOLT MAX;VOLT?", "2.0E+0")
	k.wants("SOUR1:VOLT MIN;VOLT?", "-2.0E+0")
	k.wants("SOUR1:VOLT DEF;VOLT?", "0.0E+0")
	k.refuses("SOUR2:VOLT:ALC:SOUR EXT", `-241,"Hardware missing"`)
	k.refuses("SENS1:VOLT:PROT 1;:SOUR9:VOLT 1", `-114,"Header suffix out of range"`)
	// A limit is that of its own mode.
	k.does("SENS2:VOLT:PROT 2")
	k.refuses("OUTP2 ON", conflict)
	k.does("SENS2:CURR:PROT 1E-3;:OUTP2 ON")
	k.does("SOUR2:FUNC:MODE CURR")
	k.does("*RST;:SENS2:CURR:PROT 1E-3;:OUTP2 ON")
	k.refuses("SOUR2:FUNC:MODE CURR", conflict)
	k.wants("SOUR2:FUNC:MODE?", "VOLT")
}

func TestPaths(t *testing.T) {
	f := newFakeLink(rehearsal.DefaultBench())
	k := talk(t, newCard(t, Config{Link: f}))
	k.does("ROUT:CLOS (@1!1,2!1,0!5)")
	f.since()
	k.refuses("ROUT:CLOS (@1!2)", conflict)     // the same multiplexer
	k.refuses("ROUT:CLOS (@3!1,3!2)", conflict) // both in one list
	k.refuses("ROUT:CLOS (@3!1,1!49)", `-222,"Data out of range;there is no path (@1!49)"`)
	k.refuses("ROUT:OPEN (@1!1,7!1)", `-222,"Data out of range;there is no path (@7!1)"`)
	k.refuses("ROUT:CLOS (@1)", `-222,"Data out of range;there is no path (@1)"`)
	k.refuses("READ? (@1!1)", range222)
	k.refuses("READ? (@5)", range222)
	k.wants("ROUT:CLOS:STAT?", "(@0!5,1!1,2!1)")
	if calls := f.since(); calls != nil {
		t.Errorf("what was refused became %v", calls)
	}
	k.does("ROUT:CLOS (@1!17)") // another multiplexer of the same channel
	k.does("ROUT:OPEN (@1!1,1!2);CLOS (@1!2)")
	k.wants("ROUT:CLOS:STAT?", "(@0!5,1!2,1!17,2!1)")
}

// What the link reports becomes an error; what it fails at switches all off.
func TestHardwareErrors(t *testing.T) {
	f := newFakeLink(rehearsal.DefaultBench())
	k := talk(t, newCard(t, Config{Link: f}))
	k.does("SENS1:CURR:PROT 1E-3;:OUTP1 ON;:SENS3:CURR:PROT 1E-3;:ROUT:CLOS (@1!1)")
	f.mu.Lock()
	f.faults = []bench.Fault{{Code: 1, Message: "a switch wore out, 5 Ω"}}
	f.mu.Unlock()
	if got := k.ask("READ?"); !strings.HasSuffix(got, ",12,0.0E+0") {
		t.Errorf("a reading with an error that waits: %s", got)
	}
	k.wants("*ESR?", "144")
	k.wants("SYST:ERR?", `-240,"Hardware error;a switch wore out, 5 ?"`)
	k.wants("OUTP1?;:SOUR:CURR:PROT:TRIP?", "1;0")

	f.mu.Lock()
	f.fail = func(call string) error {
		if strings.HasPrefix(call, "set 1") {
			return errors.New("burnt")
		}
		return nil
	}
	f.mu.Unlock()
	k.refuses("SOUR1:VOLT 1;:OUTP3 ON", `-240,"Hardware error;burnt"`)
	if !f.safe() {
		t.Error("not safe after the link failed")
	}
	k.wants("OUTP1?;OUTP3?;:ROUT:CLOS:STAT?;:SOUR1:CURR:PROT:TRIP?;:SOUR3:CURR:PROT:TRIP?", "0;0;(@);1;0")
	f.mu.Lock()
	f.fail = nil
	f.mu.Unlock()
	k.refuses("OUTP1 ON", conflict)
	f.since()
	k.does("SOUR1:CURR:PROT:CLE;:OUTP1 ON")
	want := []string{"set 1 {Mode:voltage Level:0 Range:10 Compliance:0.001 SenseRange:0.1 Remote:false}", "output 1 true"}
	if diff := cmp.Diff(want, f.since()); diff != "" {
		t.Errorf("on again after a trip (-want +got):\n%s", diff)
	}
	k.does("*RST")
}
