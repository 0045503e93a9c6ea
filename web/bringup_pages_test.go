package web

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/a-h/templ"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/protocol"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/quantity"
)

// cardSamples is every page about cards with realistic props.
func cardSamples() map[string]templ.Component {
	up := sampleBringUp()
	bare := BringUpProps{Page: samplePage("/bench", "Bring-up"), Def: sampleBench(), Convert: Form{ID: "convert"}}
	nasty := sampleBringUp()
	nasty.Health[0].Reason, nasty.Health[0].Remedy, nasty.Health[0].Model = hostile, hostile, hostile
	nasty.Said[0].Exchange.Sent, nasty.Said[0].Exchange.Answers, nasty.Said[0].Err = hostile, []string{hostile}, hostile
	nasty.Log = decoder().Rows([]cardinfo.Event{{N: 1, At: sampleTime, Connection: hostile, Dir: cardinfo.In, Bytes: []byte(hostile)}, {N: 2, At: sampleTime, Dir: cardinfo.Note, Bytes: []byte(hostile)}})
	ref := protocol.Reference()
	d, def := hexInverter(), sampleBench()
	m := sampleDevice().PinMap
	unknown := samplePage("/bench", "Bench")
	unknown.Bench.State, unknown.Bench.Fault, unknown.Bench.Remedy = bench.Unknown, "the link was lost", "Look at the cable."
	lost := sampleBenchPage()
	lost.Page, lost.HasCards, lost.Health, lost.Reason = unknown, true, up.Health, "the link was lost"
	return map[string]templ.Component{
		"bring-up": BringUp(up), "bring-up-bare": BringUp(bare), "bring-up-nasty": BringUp(nasty), "bench-lost": Bench(lost),
		"card-check": CardCheckPage(sampleCardCheck()), "card-check-none": CardCheckPage(CardCheckProps{Page: samplePage("/bench", "Check")}),
		"protocol": Protocol(ProtocolProps{Page: samplePage("/bench", "The protocol"), Reference: ref, Firmware: 30_000}),
		"traffic":  RunTraffic(TrafficProps{Page: samplePage("/runs", "Traffic"), Run: "x", Title: "HX-14, unit 1", Rows: up.Log, From: 200, Step: 200, Total: 900, Dropped: 7}),
		"confirm": Confirm(ConfirmProps{Page: samplePage("/bench", "Before power"), What: "Start the run", Action: "/runs", TakesControl: true,
			Carried: url.Values{"serial": {hostile}, "confirm": {"esd"}}, Items: []ToConfirm{{"esd", "I am grounded."}, {"pin-1", "Pin 1 is where the drawing shows it."}}, Ticked: []string{"esd"},
			Device: &d, Socket: &Socket{ID: "confirm-socket", Title: "Socket", Contacts: def.Contacts, Package: d.Package, Pins: d.Pins, Map: *m, Bench: &def}}),
	}
}

func sampleEvents() []cardinfo.Event {
	var out []cardinfo.Event
	for i, e := range []struct {
		dir  cardinfo.Direction
		text string
	}{{cardinfo.Out, "READ? (@1)\n"}, {cardinfo.In, "1.999515724182129E+0,-5.2070617675781254E-9,5,1.0E-4\r\n"}, {cardinfo.Note, "out of step: an answer came too late"}, {cardinfo.In, "\x00\x1b\xff" + strings.Repeat("noise", 300)}} {
		out = append(out, cardinfo.Event{N: uint64(i + 1), At: sampleTime.Add(time.Duration(i) * 21 * time.Millisecond), Connection: "Cards", Dir: e.dir, Bytes: []byte(e.text)})
	}
	return out
}

func sampleBringUp() BringUpProps {
	rows := decoder().Rows(sampleEvents())
	x := cardinfo.Exchange{Connection: "Cards", Sent: "READ? (@1)", Answers: []string{"1.25,0,4,1.25"}, Took: time.Millisecond, Errors: []string{`-113,"Undefined header"`}}
	return BringUpProps{Page: samplePage("/bench", "Bring-up"), Def: sampleBench(), HasCards: true, CanUse: true, Holder: "R. Okonjo",
		Health: []cardinfo.Health{{Connection: "Cards", Address: "serial:///dev/serial/by-id/a-long-name-of-a-device-file?baud=115200", Condition: cardinfo.Lost, Since: sampleTime,
			Reason: "the line is silent", Remedy: "Look at the cable", Model: "Two channels", Serial: "7", Version: "0.1", Tries: 3, Exchanges: 12345, Late: 1, Garbled: 2}},
		Say:         Form{ID: "say", Values: url.Values{"message": {"OUTP1"}, "wait": {"soon"}}, Errors: map[string]string{"wait": "write a time such as 0.3 s", "message": "too short"}},
		Connections: []Option{{"Cards", "Cards", ""}}, Log: rows, LogLast: 4,
		Said: []SaidRow{{By: "R. Okonjo", At: sampleTime, Exchange: x, Rows: rows, Means: decoder().Exchange(&x), MadeSafe: true}},
		Steps: StepProps{Can: true, Form: Form{ID: "step"}, Active: true, What: "Contact", Choices: []Option{{"a:0", "Contact", "HX-14"}}, Pending: &StepRow{N: 3, Words: "Read channel 1 over 20 ms"},
			Done: []StepRow{{N: 2, Words: "Channel 1: output on", Rows: rows}, {N: 1, Words: "Close exactly these paths", Values: []string{"1: 1 V, 2 mA"}, Err: "it tripped"}}, Left: 2},
		Convert: Form{ID: "convert", Values: url.Values{"range": {"1.force-v.0"}, "code": {"x"}}, Errors: map[string]string{"code": "write a whole number"}}, Converted: &CodeAnswer{Code: -1, Hex: "0xFFFF", Text: "−1 mV", Note: "its end"}}
}

func sampleCardCheck() CardCheckProps {
	rows := decoder().Rows(sampleEvents())
	c := CardCheck{By: "R. Okonjo", Started: sampleTime, Ended: sampleTime.Add(30 * time.Second), Connections: []string{"Cards"}, Dropped: 2}
	for i, v := range []cardinfo.Verdict{cardinfo.Pass, cardinfo.Fail, cardinfo.Skipped} {
		c.Findings = append(c.Findings, CheckFinding{Finding: cardinfo.Finding{Group: "readings", Title: "a reading takes its time", Verdict: v, Expected: "at most 70 ms", Came: "90 ms", Took: time.Duration(i) * time.Millisecond}, Connection: "Cards", Rows: rows})
	}
	return CardCheckProps{Page: samplePage("/bench", "Check the cards"), HasCards: true, CanUse: true, Takes: true, Form: Form{ID: "check", Values: url.Values{}}, Connections: []Option{{"Cards", "Cards", ""}},
		Items: []ToConfirm{{"empty", "The socket is empty."}}, Result: c}
}

// The parts that live frames replace keep their ids, and what nobody has
// confirmed is not ticked.
func TestCardParts(t *testing.T) {
	up, check := sampleBringUp(), sampleCardCheck()
	for id, c := range map[string]templ.Component{
		PartCardHealth: CardHealth(up.Health), PartStepNow: StepNow(up.Steps), PartStepButtons: StepButtons(up.Steps), PartStepDone: StepDone(up.Steps),
		PartCheckSummary: CheckSummary(check.Result), PartCheckStop: CheckStop(check.Result), PartCheckGroup(0): CheckGroupPart(check.Result.Groups()[0]),
		PartCheckGroup(39): CheckGroupPart(check.Result.Groups()[39]), PartBenchUnknown: BenchUnknown(BenchBrief{State: bench.Unknown, Remedy: "Look."}),
	} {
		if got := strings.TrimSpace(render(t, c)); !strings.HasPrefix(got, "<div id=\""+id+"\"") && !strings.HasPrefix(got, "<details class=\"fold\" id=\""+id+"\"") {
			t.Errorf("%s begins %.80s", id, got)
		}
	}
	page := render(t, cardSamples()["confirm"])
	if strings.Count(page, " checked") != 1 || strings.Contains(page, `type="hidden" name="confirm"`) || !strings.Contains(page, `name="serial" value="&lt;script`) {
		t.Error("what was entered or ticked is not carried on")
	}
}

// More groups than places: the last place takes what is beyond.
func TestCheckGroupsAreBounded(t *testing.T) {
	var c CardCheck
	for i := range 3 * CheckGroups {
		c.Findings = append(c.Findings, CheckFinding{Finding: cardinfo.Finding{Group: quantity.Plain(float64(i)), Verdict: cardinfo.Pass}})
	}
	n, groups := 0, c.Groups()
	for _, g := range groups {
		n += len(g.Findings)
	}
	if len(groups) != CheckGroups || n != len(c.Findings) || groups[CheckGroups-1].Title != "Further groups" {
		t.Errorf("%d groups with %d findings", len(groups), n)
	}
	two := CardCheck{Connections: []string{"a", "b"}, Findings: []CheckFinding{{Connection: "a", Finding: cardinfo.Finding{Group: "x"}}, {Connection: "b", Finding: cardinfo.Finding{Group: "x"}}}}
	if g := two.Groups(); g[0].Title != "a: x" || g[1].Title != "b: x" {
		t.Errorf("%q and %q", g[0].Title, g[1].Title)
	}
}
