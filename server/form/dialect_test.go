package form

import (
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// TestDialectRoundTrip: document to form to document is the identity. A text
// that is the protocol's own is left out, as it was.
func TestDialectRoundTrip(t *testing.T) {
	own := bench.ProtocolCommands()
	rapid.Check(t, func(t *rapid.T) {
		d := deskBench()
		for _, b := range bench.Blanks() {
			*b.Text(&d.Connections[0].Commands) = rapid.SampledFrom([]string{"", "ABOR\n*RST", bench.None, "X {channel};Y"}).Draw(t, b.Name)
		}
		got := ReadDialect(DialectValues(&d, &d.Connections[0]), &d, 0)
		if !reflect.DeepEqual(got, d) {
			t.Fatalf("came back as %+v, was %+v", got.Connections, d.Connections)
		}
		v := DialectValues(&d, &d.Connections[0])
		for _, b := range bench.Blanks() {
			v.Set(DialectField(b.Name), " "+*b.Text(&own)+"\r\n")
		}
		if got := ReadDialect(v, &d, 0).Connections[0].Commands; got != (bench.Commands{}) {
			t.Fatalf("the protocol's own texts became %+v", got)
		}
	})
}

func TestDialectProblems(t *testing.T) {
	got := DialectProblems(dut.Problems{{Field: "connections[1].commands.safe", Message: "m"}, {Field: "connections[0].commands.safe", Message: "m"},
		{Field: "name", Message: "m"}, {Field: "connections[1].commands", Message: "m"}}, 1)
	var fields []string
	for _, p := range got {
		fields = append(fields, p.Field)
	}
	if want := []string{DialectField("safe"), "", "", ""}; !reflect.DeepEqual(fields, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// TestSamples: every text can be filled with the sample values of its form.
func TestSamples(t *testing.T) {
	d := deskBench()
	v := DialectValues(&d, &d.Connections[0])
	own := bench.ProtocolCommands()
	for _, b := range bench.Blanks() {
		text := *b.Text(&own)
		if text == bench.None || b.Name == "fields" {
			continue
		}
		if filled, err := bench.Fill(text, Samples(v, b.Name)); err != nil {
			t.Errorf("%s: %q: %v", b.Name, filled, err)
		}
	}
	if s := Samples(v, "forceCurrent"); s["range"] != v.Get("sampleRangeI") || s["compliance"] != v.Get("sampleLimitV") {
		t.Errorf("forcing a current is tried with %v", s)
	}
	if v.Get("samplePaths") != "(@1!1)" || v.Get("sampleChannels") != "(@1,2)" {
		t.Errorf("paths %s, channels %s", v.Get("samplePaths"), v.Get("sampleChannels"))
	}
}
