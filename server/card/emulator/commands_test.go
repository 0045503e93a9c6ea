package emulator

import (
	"testing"
	"time"
)

const (
	noError  = `0,"No error"`
	conflict = `-221,"Settings conflict"`
	range222 = `-222,"Data out of range"`
)

func TestCommonCommands(t *testing.T) {
	k := talk(t, newCard(t, Config{Link: rehearsed(t), Watchdog: 2 * time.Second}))
	k.wants("*ESR?", "128")
	k.wants("*ESR?", "0")
	k.wants("*IDN?", "Ohmkeep,Rehearsal card,rehearsal-48,1")
	k.wants("*OPT?", "CHANNELS 4,WATCHDOG 2,MESSAGE 1024")
	k.wants("*OPC?", "1")
	k.wants("*TST?", "0")
	k.wants("*ESE 97;*ESE?;*ESE 41;*ESE?;*ESE 0", "97;41")
	k.wants("*SRE 255;*SRE?;*SRE 0", "191")
	k.wants("SYST:VERS?", "1999.0")
	k.wants("SYST:ERR?;ERR:COUN?", noError+";0")
	k.wants("*OPC;*WAI;*ESR?", "1")
	k.refuses("FOO", `-113,"Undefined header"`)
	k.wants("*ESR?", "32")
	k.tell("FOO")
	k.wants("*STB?", "4")
	k.wants("*CLS;*STB?;*ESR?", "0;0")
}

func TestSettingsAndReading(t *testing.T) {
	k := talk(t, newCard(t, Config{Link: rehearsed(t)}))
	k.refuses("OUTP1 ON", conflict)
	k.does("ROUT:CLOS (@1!1,0!2)")
	k.wants("ROUT:CLOS:STAT?", "(@0!2,1!1)")
	k.wants("ROUT:CLOS? (@1!1,1!2,0!2)", "1,0,1")
	k.does("SOUR1:FUNC:MODE VOLT;:SOUR1:VOLT:RANG 2;:SOUR1:VOLT 1;:SENS1:CURR:RANG 1E-2;:SENS1:CURR:PROT 5E-3")
	k.does("OUTP1 ON;:SENS1:CURR:APER 1E-3")
	k.wants("OUTP1?;:SOUR1:VOLT?;VOLT:RANG?;:SENS:CURR:PROT?", "1;1.0E+0;2.0E+0;5.0E-3")
	t.Log(k.ask("READ?"))
	k.wants("FETC?;*STB?", k.ask("READ?")+";0")
	k.refuses("SOUR1:VOLT 3", conflict)
	k.refuses("SOUR1:VOLT 30", range222)
	k.wants("SOUR1:VOLT?", "1.0E+0")
	k.does("*RST")
	k.wants("OUTP1?;:ROUT:CLOS:STAT?", "0;(@)")
}
