//go:build linux

package firmware

import (
	"fmt"
	"strings"
	"testing"
)

const noError = `0,"No error"`

// exchange is one message, the line it must bring ("" for none) and the error
// that must be queued after it (0 for none).
type exchange struct {
	say, answer string
	err         int
}

// errorTexts are the standard's, from error-numbers.csv of the reference
// tables (SCPI-1999, volume 2, 21.8).
var errorTexts = map[int]string{
	-101: "Invalid character", -102: "Syntax error", -103: "Invalid separator", -104: "Data type error",
	-108: "Parameter not allowed", -109: "Missing parameter", -111: "Header separator error",
	-112: "Program mnemonic too long", -113: "Undefined header", -114: "Header suffix out of range",
	-121: "Invalid character in number", -123: "Exponent too large", -124: "Too many digits", -131: "Invalid suffix",
	-134: "Suffix too long", -138: "Suffix not allowed", -141: "Invalid character data", -144: "Character data too long",
	-171: "Invalid expression", -221: "Settings conflict", -222: "Data out of range", -223: "Too much data",
	-230: "Data corrupt or stale", -241: "Hardware missing", -363: "Input buffer overrun", -430: "Query DEADLOCKED",
}

func (x exchange) wantError() string {
	if x.err == 0 {
		return noError
	}
	return fmt.Sprintf(`%d,"%s"`, x.err, errorTexts[x.err])
}

// carry carries out exchanges after a reset, up to the first that is wrong.
func carry(t *testing.T, r *rig, exchanges []exchange) {
	t.Helper()
	r.send("*RST;*CLS;*ESE 0;*SRE 0;SYST:VERS?\n")
	for r.line() != "1999.0" { // what another table left
	}
	for _, x := range exchanges {
		r.send(x.say + "\n")
		if x.answer != "" {
			if got := r.line(); got != x.answer {
				t.Errorf("%.80q → %s, not %s", x.say, got, x.answer)
				return
			}
		}
		if got, want := r.ask("SYST:ERR?;:SYST:ERR?"), x.wantError()+";"+noError; got != want {
			t.Errorf("%.80q left %s, not %s", x.say, got, want)
			return
		}
	}
}

func TestExchanges(t *testing.T) {
	t.Parallel()
	r := newRig(t, guarded(t))
	r.is("*ESR?;*ESR?", "128;0")
	for name, exchanges := range map[string][]exchange{
		"common": {
			{"*IDN?", "Ohmkeep,Rehearsal skeleton,0,1", 0}, {"*OPT?", fmt.Sprintf("CHANNELS 2,WATCHDOG %g,MESSAGE 1024", r.watchdog.Seconds()), 0},
			{"*idn?;*TST?;*OPC?;*WAI", "Ohmkeep,Rehearsal skeleton,0,1;0;1", 0},
			{"*ESE 255;*ESE?;*ESE 0", "255", 0}, {"*ESE 256", "", -222}, {"*ESE -1", "", -222}, {"*ESE 1.6;*ESE?;*ESE 0", "2", 0},
			{"*SRE 255;*SRE?;*SRE 0", "191", 0}, {"*CLS;*OPC;*ESR?;*ESR?", "1;0", 0}, {"*ESE? 1", "", -108}, {"*CLS?", "", -113}, {"*IDN", "", -113}, {"*TRG", "", -113},
			{"*ESE 1;*OPC;*STB?;*SRE 32;*STB?;*ESE 0;*SRE 0;*CLS", "32;112", 0},
			{"SYST:VERS?;ERR:COUN?", "1999.0;0", 0}, {"SYSTEM:ERROR:NEXT?", noError, 0},
		},
		"headers": {
			{"SOUR:VOLT?;VOLT:LEV?;IMM:AMPL?", "0.0E+0;0.0E+0;0.0E+0", 0}, {":SOURCE1:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE?", "0.0E+0", 0},
			{"sour2:volt?", "0.0E+0", 0}, {"VOLT?", "0.0E+0", 0}, {"SOUR1:VOLT:RANG?;LEV?;:OUTP2:STAT?;*ESE?;STAT?", "1.0E+1;0.0E+0;0;0;0", 0},
			{"SOURC:VOLT?", "", -113}, {"SOU:VOLT?", "", -113}, {"SOUR:VOLTA?", "", -113}, {"SOUR3:VOLT?", "", -114}, {"SOUR0:VOLT?", "", -114},
			{"SYST2:ERR?", "", -114}, {"OUTP9 ON", "", -114}, {"VOLT1:RANG?", "", -114}, {"SOUR:VOLT:NOSUCH 1", "", -113}, {"READ", "", -113}, {"ABOR?", "", -113},
			{"ABCDEFGHIJKLM", "", -112}, {"VOLT,1", "", -111}, {"OUTP&", "", -101}, {"*CLS*", "", -111}, {"VOLT?1", "", -111}, {"5 VOLT", "", -102}, {"&VOLT", "", -101},
			{"::VOLT 1", "", -102}, {"*CLS;;*CLS", "", -102}, {"*CLS;", "", -102}, {" ; *CLS", "", -102}, {"\t*ESE?\t;\t*ESE?\t", "0;0", 0}, {"*ESE?;*ESE?\r", "0;0", 0},
			{"SENS2:CURR:RANG 1E-3;PROT 1E-3;RANG?;PROT?", "1.0E-3;1.0E-3", 0}, {"SOUR1:VOLT?;VOLT?", "0.0E+0;0.0E+0", 0}, {"SOUR2:VOLT:LEV?;VOLT?", "0.0E+0", -113},
			{strings.Repeat("SOUR1:", 40) + "VOLT?", "", -113},
		},
		"numbers": {
			{"VOLT 1.5;VOLT?", "1.5E+0", 0}, {"VOLT -1500 mV;VOLT?", "-1.5E+0", 0}, {"VOLT 1.5E3MV;VOLT?", "1.5E+0", 0}, {"VOLT +.5E+1 ;VOLT?", "5.0E+0", 0}, {"VOLT 3 e -1 V;VOLT?", "3.0E-1", 0},
			{"CURR 10UA;CURR?", "1.0E-5", 0}, {"CURR 0.00000001MAA;CURR?", "1.0E-2", 0}, {"SENS:CURR:APER 20MS;APER?", "2.0E-2", 0}, {"VOLT #H0A;VOLT?", "1.0E+1", 0}, {"VOLT #q7;VOLT?", "7.0E+0", 0}, {"VOLT #B101;VOLT?", "5.0E+0", 0},
			{"VOLT MIN;VOLT?", "-1.0E+1", 0}, {"VOLT MAXIMUM;VOLT?", "1.0E+1", 0}, {"VOLT DEF;VOLT?", "0.0E+0", 0}, {"VOLT:RANG 2", "", 0}, {"VOLT MAX;VOLT?", "2.0E+0", 0}, {"VOLT:RANG 10", "", 0},
			{"VOLT 0.1234567890123456789;VOLT?", "1.2345678901234568E-1", 0}, {"VOLT 5A", "", -131}, {"VOLT 5VV", "", -131}, {"VOLT 5XV", "", -131}, {"VOLT 5ABCDEFGHIJKLM", "", -134}, {"*ESE 5V", "", -138},
			{"VOLT 1.2.3", "", -121}, {"VOLT +", "", -121}, {"VOLT #H", "", -121}, {"VOLT #HG", "", -121}, {"*ESE #H10000000000000000", "", -124}, {"*ESE #HFFFFFFFFFFFFFFFF", "", -222}, {"*ESE #B" + strings.Repeat("0", 80) + "11;*ESE?;*ESE 0", "3", 0}, {"VOLT #15abcde", "", -104}, {"VOLT 1e99999", "", -123}, {"VOLT " + strings.Repeat("9", 300), "", -124},
			{"VOLT", "", -109}, {"VOLT 1,2", "", -108}, {"VOLT 1,", "", -102}, {"VOLT 1 2", "", -103}, {"VOLT ON", "", -141}, {"VOLT \"1\"", "", -104}, {"VOLT (@1)", "", -104}, {"VOLT ,1", "", -102}, {"VOLT &", "", -101},
			{"VOLT 11", "", -222}, {"VOLT 9.9E37", "", -222}, {"VOLT -9.9E37", "", -222}, {"VOLT 9.91E37", "", -222}, {"CURR 0.2", "", -222}, {"VOLT? MAX", "", -108}, {"VOLT?", "1.2345678901234568E-1", 0},
			{"SENS:CURR:PROT MAX", "", -104}, {"OUTP 1.2.3", "", -121}, {"OUTP YES", "", -141}, {"OUTP MAYBEANDMAYBENOT", "", -144}, {"FUNC:MODE 1", "", -104}, {"FUNC:MODE RES", "", -141},
		},
		"ranges": {
			{"VOLT:RANG 0;RANG?", "2.0E+0", 0}, {"SOUR:VOLT:RANG -2;RANG?", "2.0E+0", 0}, {"SOUR:VOLT:RANG 2.0001;RANG?", "1.0E+1", 0}, {"SOUR:VOLT:RANG 10.1", "", -222},
			{"SOUR2:CURR:RANG 2E-6;RANG?", "1.0E-5", 0}, {"SENS2:CURR:DC:RANG:UPP 3E-6;UPP?", "1.0E-5", 0}, {"SENS1:VOLT:RANG 1;RANG?", "2.0E+0", 0}, {"SOUR2:CURR:RANG?;:SENS2:CURR:RANG?", "1.0E-5;1.0E-5", 0},
			{"SENS:CURR:PROT 0", "", -222}, {"SENS:CURR:PROT -1E-3", "", -222}, {"SENS:CURR:PROT 0.11", "", -222}, {"SENS:CURR:PROT?", "0.0E+0", 0}, {"SENS1:VOLT:PROT 5;PROT?", "5.0E+0", 0},
			{"SENS:VOLT:APER 1E-5;:SENS:CURR:APER?", "1.0E-5", 0}, {"SENS:VOLT:APER 9E-6", "", -222}, {"SENS:VOLT:APER 10.1", "", -222}, {"SENS2:AVER:COUN 1000;COUN?", "1000", 0}, {"SENS:AVER:COUN 0", "", -222}, {"SENS:AVER:COUN 1001", "", -222}, {"SENS:AVER:COUN 1e300", "", -222},
			{"SENS:AVER ON;AVER?;AVER:STAT 0;STAT?", "1;0", 0}, {"VOLT:ALC:SOUR EXT;SOUR?", "EXT", 0}, {"SOUR2:VOLT:ALC:SOUR EXTERNAL", "", -241}, {"SOUR2:VOLT:ALC:SOUR INT;SOUR?", "INT", 0}, {"FUNC:MODE CURR", "", -221}, {"SENS:VOLT:RANG 10;:FUNC:MODE CURR;MODE?", "CURR", 0}, {"FUNC:MODE VOLTAGE;MODE?", "VOLT", 0},
		},
		"coupled": {
			{"SOUR:VOLT:RANG 2;LEV 5", "", -221}, {"VOLT?;VOLT:RANG?", "0.0E+0;1.0E+1", 0}, {"SOUR:VOLT:LEV 5;RANG 2", "", -221}, {"VOLT?", "0.0E+0", 0}, {"SOUR:VOLT:LEV 1.9;RANG 2", "", 0}, {"SOUR:VOLT:LEV 5;RANG 10", "", 0}, {"SOUR:VOLT:LEV 1;RANG 2;LEV?;LEV 1.5", "1.0E+0", 0}, {"VOLT 5", "", -221}, {"VOLT?", "1.5E+0", 0},
			{"VOLT 0.5;NOSUCH", "", -113}, {"VOLT?", "1.5E+0", 0}, {"VOLT 0.5;:SENS:CURR:PROT -1", "", -222}, {"VOLT?", "1.5E+0", 0}, {"VOLT 0.5;*ESE 3;NOSUCH", "", -113}, {"VOLT?;*ESE?;*ESE 0", "5.0E-1;3", 0},
			{"SENS:CURR:PROT 1E-3;RANG 1E-6", "", -221}, {"SENS:CURR:PROT?;RANG?", "0.0E+0;1.0E-1", 0}, {"SENS:CURR:RANG 1E-6;PROT 1E-6", "", 0}, {"SENS:CURR:PROT 1E-3", "", -221}, {"SENS:VOLT:PROT 10", "", 0},
			{"VOLT 1;:SOUR2:VOLT:RANG 2;LEV 3", "", -221}, {"VOLT?;:SOUR2:VOLT:RANG?", "5.0E-1;1.0E+1", 0}, {"VOLT 3;VOLT?", "", -221}, {"*ESE 1;VOLT 3;*ESE 2", "", -221}, {"*ESE?;*ESE 0", "1", 0},
		},
		"output": {
			{"OUTP ON", "", -221}, {"OUTP?", "0", 0}, {"SENS:VOLT:PROT 1", "", 0}, {"OUTP ON", "", -221}, {"SENS:CURR:PROT 1E-3", "", 0}, {"OUTP ON;OUTP?;:OUTP2?", "1;0", 0}, {"OUTP 1;:OUTP1?", "1", 0},
			{"SENS:VOLT:PROT 1;:FUNC:MODE CURR;:FUNC:MODE?", "CURR", 0}, {"OUTP OFF;:OUTP?", "0", 0},
			{"*RST;:SENS:CURR:PROT 1E-3;:OUTP ON;:FUNC:MODE CURR", "", -221}, {"FUNC:MODE?;:OUTP?", "VOLT;1", 0}, {"*RST;OUTP?;:SENS:CURR:PROT?", "0;0.0E+0", 0}, {"SOUR:CURR:PROT:TRIP?", "0", 0}, {"CURR:PROT:CLE", "", 0},
		},
		"paths": {
			{"ROUT:CLOS:STAT?", "(@)", 0}, {"ROUT:CLOS (@1!3, 0!7 , 2!17)", "", 0}, {"ROUT:CLOS:STAT?", "(@0!7,1!3,2!17)", 0}, {"ROUT:CLOS? (@1!1:1!4,0!7)", "0,0,1,0,1", 0}, {"ROUT:CLOS? (@1!4:1!2)", "0,1,0", 0}, {"ROUT:CLOS? (@0!2:1!3)", "0,0,0,1", 0},
			{"ROUT:CLOS (@1!3)", "", 0}, {"ROUT:CLOS (@1!4)", "", -221}, {"ROUT:CLOS (@1!20,1!21)", "", -221}, {"ROUT:CLOS (@1!20,1!4)", "", -221}, {"ROUT:CLOS (@1!20,9!1)", "", -222}, {"ROUT:CLOS:STAT?", "(@0!7,1!3,2!17)", 0}, {"ROUT:CLOS (@1!20)", "", 0},
			{"ROUT:OPEN (@1!3,1!5)", "", 0}, {"ROUT:CLOS:STAT?", "(@0!7,1!20,2!17)", 0}, {"ROUT:OPEN (@1!33)", "", -222}, {"ROUT:OPEN (@1!0)", "", -222}, {"ROUT:OPEN (@1)", "", -222}, {"ROUT:OPEN (@99999999999!1)", "", -222}, {"ROUT:OPEN:ALL;:ROUT:CLOS:STAT?", "(@)", 0}, {"ROUT:OPEN:ALL", "", 0},
			{"ROUT:CLOS (@)", "", -171}, {"ROUT:CLOS (1!1)", "", -171}, {"ROUT:CLOS (@1!1", "", -171}, {"ROUT:CLOS (@1!1,)", "", -171}, {"ROUT:CLOS (@,1!1)", "", -171}, {"ROUT:CLOS (@1!1:2)", "", -171}, {"ROUT:CLOS (@1!1!1)", "", -171}, {"ROUT:CLOS (@1!x)", "", -171}, {"ROUT:CLOS 1", "", -104}, {"ROUT:CLOS", "", -109}, {"ROUT:CLOS (@1!1),(@1!1)", "", -108}, {"ROUT:CLOS (@1!1)x", "", -103}, {"ROUT:OPEN:ALL 1", "", -108},
			{"ROUT:CLOS? (@0!1:0!32" + strings.Repeat(",0!1:0!32", 32) + ")", "", -223}, {"ROUT:CLOS? (@0!1:0!32" + strings.Repeat(",0!1:0!32", 30) + ")", strings.Repeat("0,", 31*32-1) + "0", 0}, {"ROUT:CLOS:STAT?", "(@)", 0},
		},
		"reading": {
			{"FETC?", "", -230}, {"READ?", "0.0E+0,0.0E+0,0,0.0E+0", 0}, {"FETC?", "0.0E+0,0.0E+0,0,0.0E+0", 0}, {"READ? (@3)", "", -222}, {"READ? (@0)", "", -222}, {"READ? (@1!1)", "", -222}, {"READ? 1", "", -104}, {"READ? (@1:17)", "", -222}, {"READ? (@1:2000)", "", -223}, {"READ? (@65536)", "", -222}, {"READ? (@1!1:60000!60000)", "", -223}, {"READ? (@1" + strings.Repeat(",2", 16) + ")", "", -223},
			{"SENS:CURR:PROT 1E-3;:VOLT 0.5;:ROUT:CLOS (@1!1,2!2);:OUTP ON", "", 0}, {"READ? (@2,1,2)", "0.0E+0,0.0E+0,0,0.0E+0,5.0E-1,4.98007968E-4,4,5.0E-1,0.0E+0,0.0E+0,0,0.0E+0", 0},
			{"NOSUCH;*CLS", "", -113}, {"SENS:AVER:COUN 5;:SENS:AVER ON;:SENS:CURR:APER 1E-3;:READ?", "5.0E-1,4.98007968E-4,4,5.0E-1", 0}, {"*RST;FETC?", "", -230},
			{"SENS2:CURR:PROT 1E-6;:SOUR2:VOLT 1;:ROUT:CLOS (@2!2);:OUTP2 ON;:READ? (@2);:SENS2:CURR:PROT:TRIP?;:SENS2:VOLT:PROT:TRIP?;:STAT:QUES:COND?;EVEN?;EVEN?;:OUTP2 OFF;:STAT:QUES:COND?", "1.0004E-2,1.0E-6,5,1.0E+0;1;0;2;2;0;0", 0},
			{"STAT:OPER:EVEN?", "18", 0}, {"STAT:OPER:ENAB 16;ENAB?;COND?", "16;0", 0}, {"READ?;*STB?;:STAT:PRES;:STAT:OPER:ENAB?", "0.0E+0,0.0E+0,0,0.0E+0;144;0", 0}, {"STAT:QUES:ENAB 32768", "", -222},
		},
		"long": {
			{"*ESE " + strings.Repeat("0", 1017) + "7;", "", -363}, {"*ESE " + strings.Repeat("0", 1017) + "7", "", 0}, {"*ESE?;*ESE 0", "7", 0}, {strings.Repeat("x", 5000), "", -363},
			{"*ESE 1\x00", "", -101}, {"*ESE 1\x80", "", -101}, {"*ESE 1\r;*ESE 1", "", -101}, {"*ESE 1\x7f", "", -101}, {"*ESE?", "0", 0}, {"", "", 0}, {" \t ", "", 0}, {"\r", "", 0},
		},
	} {
		t.Run(name, func(t *testing.T) {
			carry(t, r, exchanges)
		})
	}
}

// TestErrorQueue holds that the queue is first in, first out, that its last
// entry tells of an overflow, and that every error sets the bit of its class.
func TestErrorQueue(t *testing.T) {
	r := newRig(t, plain(t))
	r.is("*ESR?", "128")
	for _, x := range []struct {
		say  string
		bits string
	}{{"NOSUCH", "32"}, {"VOLT 99", "16"}, {strings.Repeat("x", 2000), "8"}, {"READ?" + strings.Repeat(";*OPT?", 80), "4"}} {
		r.send(x.say + "\n")
		if x.bits == "4" {
			r.line() // what was answered before
		}
		r.is("*ESR?", x.bits)
	}
	r.is("SYST:ERR:COUN?", "4")
	for range 16 {
		r.send("NOSUCH\n")
	}
	r.is("SYST:ERR:COUN?;:STAT:QUES:ENAB 3;*RST;*STB?", "16;20")
	r.is("*ESR?", "40")
	var numbers []string
	for range 17 {
		number, _, _ := strings.Cut(r.ask("SYST:ERR?"), ",")
		numbers = append(numbers, number)
	}
	want := "-113 -222 -363 -430" + strings.Repeat(" -113", 11) + " -350 0"
	if got := strings.Join(numbers, " "); got != want {
		t.Errorf("%s, not %s", got, want)
	}
	r.is("NOSUCH\n*CLS;SYST:ERR?;*ESR?;:STAT:QUES:ENAB?", noError+";0;3")
}
