package form

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// TestReaderOfMeasurements: the accessors that the forms of measurements use,
// right and wrong.
func TestReaderOfMeasurements(t *testing.T) {
	d := dut.Device{Pins: []dut.Pin{{Number: 1, Name: "A"}, {Number: 2, Name: "GND"}, {Number: 3, Name: "GND"}}}
	integer := func(r *Reader, f Field) any { return r.Integer(f) }
	known := func(r *Reader, f Field) any { return r.KnownPin(f, &d) }
	pins := func(r *Reader, f Field) any { return r.Pins(f, &d) }
	leakage := func(r *Reader, f Field) any { return r.leakage(f) }
	fraction := func(r *Reader, f Field) any { return r.fraction(f) }
	place := func(r *Reader, f Field) any { return r.place(f) }
	limit := func(r *Reader, f Field) any {
		if l := r.limit("f", quantity.Volt); l != nil {
			return *l
		}
		return nil
	}
	for _, c := range []struct {
		read func(*Reader, Field) any
		text string
		want any
		says string // part of the message; "": none
	}{
		{integer, "", 0, ""}, {integer, "100000", 100000, ""}, {integer, "-7", -7, ""}, {integer, "1e3", 0, `"1e3" is no whole number`},
		{known, "", 0, ""}, {known, "2", 2, ""}, {known, "a", 1, ""}, {known, "4", 0, "pin 4 is not on the device, which has 3 pins"},
		{known, "gnd", 0, `"gnd" is the name of pins 2, 3: write their numbers`}, {known, "B", 0, `"B" is no pin of the device`},
		{pins, "", []int(nil), ""}, {pins, "3-1, a", []int{3, 2, 1, 1}, ""}, {pins, "1, 9", []int(nil), "pin 9 is not on the device"},
		{pins, strings.Repeat("1,", 600), []int(nil), "is longer than 1000 characters"}, {pins, strings.Repeat("1,", 60), []int(nil), "name at most 48 pins"},
		{leakage, "", 0.0, ""}, {leakage, "10 pS", 1e-11, ""}, {leakage, "1 GΩ", 1e-9, ""}, {leakage, "5 V", 0.0, "or as a resistance such as 100 GΩ"}, {leakage, "0 Ω", 0.0, "or as a resistance"},
		{fraction, "2 %", 0.02, ""}, {fraction, "0.02", 0.02, ""}, {fraction, "-50%", -0.5, ""}, {fraction, "%", 0.0, "nothing given"}, {fraction, "", 0.0, "nothing given"},
		{place, "", 0, ""}, {place, "65535", 65535, ""}, {place, "65536", 65536, "give its number"}, {place, "-1", -1, "give its number"}, {place, "x", 0, "give its number"},
		{limit, "", nil, ""}, {limit, " ", nil, ""}, {limit, "0", 0.0, ""}, {limit, "-1 mV", -0.001, ""}, {limit, "1 A", 0.0, "voltage"},
	} {
		r := NewReader(url.Values{"f": {c.text}})
		f := r.Field(dut.At("f"))
		if got := c.read(r, f); fmt.Sprint(got) != fmt.Sprint(c.want) {
			t.Errorf("%q gives %v, want %v", c.text, got, c.want)
		}
		if c.says == "" && len(r.Problems) > 0 || c.says != "" && (len(r.Problems) != 1 || r.Problems[0].Field != "f" || !strings.Contains(r.Problems[0].Message, c.says)) {
			t.Errorf("%q: %v, want %q", c.text, r.Problems, c.says)
		}
	}
}

// TestPinsRoundTrip: pins in any order, written and read, are the same.
func TestPinsRoundTrip(t *testing.T) {
	d := demo.Scenario().Devices[0]
	rapid.Check(t, func(t *rapid.T) {
		pins := rapid.SliceOfNDistinct(rapid.IntRange(1, 14), 0, 14, rapid.ID).Draw(t, "pins")
		got, err := ParsePins(PinsText(pins), &d)
		if err != nil || !slices.Equal(got, pins) {
			t.Fatalf("%v is written %q and read %v, %v", pins, PinsText(pins), got, err)
		}
	})
}

// TestLinesRoundTrip: whatever the channels of a bench are called, the text of
// a line is read as that line, by the form of a rule and of a range too.
func TestLinesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := deskBench()
		for i := range d.Channels {
			d.Channels[i].Name = rapid.SampledFrom([]string{"1A", "1a", "2", "#1", "return", "0", "all", "a,b", " x", "", "é"}).Draw(t, "name")
		}
		for _, c := range d.Channels {
			text := LineText(&d, c.ID)
			if got, ok := Line(&d, text); !ok || got != c.ID {
				t.Fatalf("channel %d of %+v is written %q and read %d, %v", c.ID, d.Channels, text, got, ok)
			}
			r := NewReader(nil)
			if got := r.ruleLines(Field{Text: text}, &d); len(r.Problems) > 0 || !slices.Equal(got, []bench.ChannelID{c.ID}) {
				t.Fatalf("%q is lines %v of a rule, %v", text, got, r.Problems)
			}
			i := slices.IndexFunc(d.Channels, func(x bench.Channel) bool { return x.ID == c.ID })
			if got := r.channelsNamed(Field{Text: text}, &d); !slices.Equal(got, []int{i}) {
				t.Fatalf("%q is channels %v of a range", text, got)
			}
		}
		if got, ok := Line(&d, LineText(&d, 0)); !ok || got != 0 {
			t.Fatalf("the return is written %q and read %d", LineText(&d, 0), got)
		}
	})
}

// TestManualLeads: what makes no sense as a measurement is told at the field of
// the page that it was entered in.
func TestManualLeads(t *testing.T) {
	for _, c := range []struct{ kind, path, want string }{
		{"watch", "pins", "pin"}, {"watch", "pins[0]", "pin"}, {"sweep", "sweep.from", "from"}, {"sweep", "sweep.points", "points"},
		{"watch", "settle.time", "settle"}, {"watch", "aperture", "cycles"}, {"watch", "aperture.cycles", "cycles"},
		{"resistance", "level", "current"}, {"watch", "level", "level"}, {"watch", "hold[2].level", "hold-pin"}, {"watch", "hold", "hold-pin"},
		{"watch", "compliance", "compliance"}, {"watch", "a..b", "a..b"}, {"watch", "", ""},
	} {
		got := manualProblems(dut.Problems{{Field: c.path, Message: "m"}}, c.kind)
		if want := (dut.Problems{{Field: c.want, Message: "m"}}); cmp.Diff(want, got) != "" {
			t.Errorf("%s of a %s leads to %v, want %s", c.path, c.kind, got, c.want)
		}
	}
}

// TestRuleRoundTrip: the paths of a rule are read again from the table that the
// editor shows, with the same ends, addresses and numbers.
func TestRuleRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := deskBench()
		from := rapid.IntRange(1, 8).Draw(t, "from")
		to := rapid.IntRange(from, 8).Draw(t, "to")
		rule, ps := ReadRule(url.Values{"ruleLines": {rapid.SampledFrom([]string{"all", "1A", "1b; return", "#2"}).Draw(t, "lines")},
			"ruleFrom": {fmt.Sprint(from)}, "ruleTo": {fmt.Sprint(to)}, "ruleWays": {fmt.Sprint(rapid.IntRange(1, 8).Draw(t, "ways"))},
			"ruleAddress":    {rapid.SampledFrom([]string{"", "{channel}!{mux}{way}", "{line}/{contact}", "{card}"}).Draw(t, "address")},
			"ruleResistance": {quantity.ExactOrEmpty(rapid.Float64Range(0, 100).Draw(t, "ohms"), quantity.Ohm)}, "ruleMax": {"50 mA"}, "ruleSense": {"1"}}, &d)
		if len(ps) > 0 {
			t.Fatal(ps)
		}
		made := rule.Apply(&d)
		if again := rule.Apply(&d); again != made {
			t.Fatalf("%d made, again %d", made, again)
		}
		back := ReadPaths(PathsText(&d), &d)
		if diff := cmp.Diff(d.Paths, back.Paths); diff != "" || len(back.Notes) > 0 {
			t.Fatalf("%v\n%s", back.Notes, diff)
		}
	})
}

// TestOnce: what is said again of the same field is left out, in order.
func TestOnce(t *testing.T) {
	a, b := dut.Problem{Field: "a", Message: "m"}, dut.Problem{Field: "a", Message: "n"}
	if got := Once(dut.Problems{a, b, a, b, a}); !slices.Equal(got, dut.Problems{a, b}) {
		t.Errorf("%v", got)
	}
}

// TestManualIsChecked: what passes the reader is held against its kind too.
func TestManualIsChecked(t *testing.T) {
	d := demo.Scenario().Devices[0].SortPins()
	v := url.Values{"do": {"read"}, "pin": {"2"}, "use": {"voltage"}, "level": {"99 V"}, "compliance": {"1 mA"}, "cycles": {"1"}}
	if m, ps := CheckManual(v, &d); !named(ps, "level") || m.Level != 99 || m.Kind != "watch" {
		t.Errorf("%+v, %v", m, ps)
	}
	v.Set("level", "100 mV")
	if m, ps := CheckManual(v, &d); len(ps) > 0 || m.Use != procedure.UseVoltage {
		t.Errorf("%+v, %v", m, ps)
	}
}
