package procedure

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// incomplete says what a kind leaves out, each with its place. It is what adding
// a kind is held against: nothing that follows from the tables may be missing.
func incomplete(k Kind) []string {
	in := &inspection{kind: k, fields: k.Fields(), outputs: k.Outputs()}
	in.head()
	for _, f := range in.fields {
		in.field(f)
	}
	for _, o := range in.outputs {
		in.output(o)
	}
	in.example()
	return in.missing
}

type inspection struct {
	kind    Kind
	fields  []Field
	outputs []Output
	missing []string
}

func (in *inspection) lack(place, format string, args ...any) {
	in.missing = append(in.missing, fmt.Sprintf("%s of kind %q %s", place, in.kind.Key(), fmt.Sprintf(format, args...)))
}

func (in *inspection) head() {
	if !dut.KeyPattern.MatchString(in.kind.Key()) {
		in.lack("the key", "is not in lower-case letters, digits and hyphens")
	}
	for _, s := range [][2]string{{"title", in.kind.Title()}, {"summary", in.kind.Summary()}} {
		if strings.TrimSpace(s[1]) == "" {
			in.lack("the "+s[0], "is missing")
		}
	}
	for _, name := range []string{"settle", "aperture", "limits", "pins"} {
		if _, ok := fieldNamed(in.fields, name); !ok {
			in.lack("field "+name, "is missing: every kind has it")
		}
	}
	if len(in.outputs) == 0 {
		in.lack("the list of outputs", "is empty")
	}
}

func (in *inspection) field(f Field) {
	at := "field " + f.Name
	same := 0
	for _, g := range in.fields {
		if g.Name == f.Name {
			same++
		}
	}
	if same != 1 {
		in.lack(at, "stands %d times", same)
	}
	if f.Label == "" {
		in.lack(at, "has no label")
	}
	if f.Doc == "" {
		in.lack(at, "has no description for the schema")
	}
	if f.value == nil || !f.value.fits(f.Type) {
		in.lack(at, "has no accessor of type %s", f.Type)
		return
	}
	if (f.Type == FieldQuantity || f.Type == FieldSweep) && f.UnitFor(UseVoltage) == "" {
		in.lack(at, "has no unit")
	}
	if f.Type == FieldChoice && len(f.Choices) == 0 {
		in.lack(at, "has no choices")
		return
	}
	sections := []Section{SectionPins, SectionForce, SectionOthers, SectionTiming, SectionLimits, SectionMore, ""}
	if !slices.Contains(sections, f.Section) {
		in.lack(at, "stands under %q, which is no heading of the form", f.Section)
	}
	in.words(at, f)
	if f.own {
		in.own(at, f)
	}
}

// words holds that a field is said: by itself, or by one that the kind has.
func (in *inspection) words(at string, f Field) {
	if f.Words == "" && f.phrase == nil && f.SaidWith == "" {
		in.lack(at, "has no words")
	}
	if f.Words != "" && f.Type != FieldFlag && strings.Count(f.Words, "%s") != 1 {
		in.lack(at, "has words without one %%s for its value: %q", f.Words)
	}
}

// own puts a value into a field that only the kind has, and looks for it in the
// document, the schema, the words, and what another kind says of it.
func (in *inspection) own(at string, f Field) {
	if memberNamed(f.Name) {
		in.lack(at, "has the name of a member of Measurement")
		return
	}
	if t := map[FieldType]string{FieldQuantity: "number", FieldCount: "integer", FieldPin: "integer", FieldChoice: "string", FieldFlag: "boolean"}[f.Type]; f.Rules["type"] != t {
		in.lack(at, "has the type %v in the schema, not %s", f.Rules["type"], t)
	}
	m := in.kind.Default(inverterDevice())
	bare := strings.Join(wordsWith(in.fields, m), "; ")
	switch f.Type {
	case FieldQuantity:
		Set(f, &m, 0.123)
	case FieldCount, FieldPin:
		Set(f, &m, 2)
	case FieldChoice:
		Set(f, &m, f.Choices[len(f.Choices)-1])
	case FieldFlag:
		Set(f, &m, true)
	}
	if f.Empty(&m) {
		in.lack(at, "is empty after it was set")
	}
	p := Procedure{Key: "k", Measurements: []Measurement{m}}
	text, err := p.Canonical()
	back, err2 := ParseProcedure(text)
	if err != nil || err2 != nil || !reflect.DeepEqual(back.Measurements[0].Own, m.Own) {
		in.lack(at, "does not come back from its document: %v, %v", err, err2)
	}
	if strings.Join(wordsWith(in.fields, m), "; ") == bare {
		in.lack(at, "changes no word of the measurement")
	}
	other := Measurement{ID: "x", Name: "x", Kind: contactKind.key, Own: m.Own}
	if !slices.ContainsFunc(contactKind.check(&other, inverterDevice()).ps, func(p dut.Problem) bool { return p.Field == f.Name }) {
		in.lack(at, "is not refused where it is not used")
	}
}

// wordsWith is what a measurement is in the words of a kind's fields, also of a
// kind that is not in the table.
func wordsWith(fields []Field, m Measurement) (out []string) {
	w := &wording{&m, inverterDevice(), fields}
	for _, f := range fields {
		out = append(out, w.say(f)...)
	}
	return out
}

func (in *inspection) output(o Output) {
	at := "output " + o.Key
	if !dut.KeyPattern.MatchString(o.Key) || o.Name == "" {
		in.lack(at, "has no key in lower-case letters and hyphens, or no name")
	}
	units := []quantity.Unit{quantity.Volt, quantity.Ampere, quantity.Ohm, quantity.Siemens, quantity.Watt, quantity.Second, quantity.Percent, quantity.One}
	if u, per, _ := strings.Cut(string(o.UnitFor(UseVoltage)), "/"); !slices.Contains(units, quantity.Unit(u)) || per != strings.TrimPrefix(string(o.Per), "/") {
		in.lack(at, "has %q for a unit", u)
	}
	low, high := 0.4, 0.6
	for _, d := range []*dut.Device{inverterDevice(), networkDevice()} {
		m := in.kind.Default(d)
		m.Limits = map[string]Limit{o.Key: {Low: &low, High: &high}}
		if len(in.kind.Validate(&m, d)) > 0 {
			continue
		}
		x := in.kind.Imagine(&m, d, o.Key, 0.5)
		if (x.Part == nil) == (x.Why == "") {
			in.lack(at, "has neither a prediction nor a reason why not")
		}
		if x.Why == whyUnknownKey {
			in.lack(at, "is not known to Imagine")
		}
	}
	if x := in.kind.Imagine(&Measurement{Use: UseVoltage, Sweep: &Sweep{Spacing: Linear, To: 1, Points: 2}}, inverterDevice(), o.Key, math.NaN()); x.Part == nil && x.Why == "" {
		in.lack(at, "has neither a prediction nor a reason for a value that is no number")
	}
}

// example holds the kind's own beginning against what is promised of all.
func (in *inspection) example() {
	tried := 0
	for _, d := range []*dut.Device{inverterDevice(), networkDevice()} {
		m := in.kind.Default(d)
		if m.Kind != in.kind.Key() {
			in.lack("the default", "is of kind %q", m.Kind)
		}
		if len(in.kind.Validate(&m, d)) > 0 {
			continue
		}
		tried++
		in.points(&m, d)
		p := Procedure{Key: "k", Measurements: []Measurement{m}}
		text, err := p.Canonical()
		back, err2 := ParseProcedure(text)
		if err != nil || err2 != nil || !reflect.DeepEqual(back.Measurements[0], m) {
			in.lack("the default", "does not come back from its document: %v, %v", err, err2)
		}
		for _, f := range in.fields {
			if f.own && !f.Usual && f.Empty(&m) {
				in.lack("the default", "leaves field %s empty", f.Name)
			}
		}
	}
	if tried == 0 {
		in.lack("the default", "is valid for none of the devices of the test")
	}
}

// points holds the points against the groups of the shape and what the kind says
// of the levels beforehand.
func (in *inspection) points(m *Measurement, d *dut.Device) {
	groups, n := len(in.kind.Shape(m, d).Groups), 0
	for p := range in.kind.Points(m, d) {
		n++
		if int(p.Group) >= groups {
			in.lack("Shape", "names %d groups, and a point is of group %d", groups, p.Group)
			return
		}
		for _, h := range p.Hold {
			own := in.kind.Drives(m, d, h.Pin)
			if slices.Contains(p.Read, h.Pin) && !own.allows(&p, h) {
				in.lack("Drives", "says %g V to %g V of pin %d, and a point holds it at %+v", own.Low, own.High, h.Pin, h)
				return
			}
		}
	}
	if n == 0 {
		in.lack("Points", "gives none for the default")
	}
}

// allows reports whether a point may hold a measured pin so: at its level or, beside
// the stated conditions, with that moved.
func (own Driven) allows(p *Point, h Hold) bool {
	low, high := own.Low, own.High
	if p.Auxiliary {
		low, high = min(low, low*(1-nudge)), max(high, high*(1-nudge))
	}
	return !own.Known || h.Use == UseVoltage && h.Level >= low && h.Level <= high
}

// table puts a kind behind the others until the test is over.
func table(t testing.TB, k Kind) {
	t.Helper()
	before := kinds
	kinds = append(slices.Clone(kinds), k)
	t.Cleanup(func() { kinds = before })
}

func TestKindsAreComplete(t *testing.T) {
	table(t, soakKind)
	seen := map[string]bool{}
	for _, k := range Kinds() {
		for _, missing := range incomplete(k) {
			t.Error(missing)
		}
		if seen[k.Key()] {
			t.Errorf("two kinds are called %q", k.Key())
		}
		seen[k.Key()] = true
	}
	if own := OwnFields(); len(own) != 3 { // a leakage's slope and the two of soak
		t.Errorf("fields of kinds' own: %v", own)
	}
}

// Every member of a measurement that a kind may use is in the table of fields.
func TestEveryMemberIsAField(t *testing.T) {
	head := []string{"id", "name", "kind", "disabled", "group", "note", "retest", "stopOnFail", "at"}
	for _, name := range memberNames {
		if _, ok := fieldNamed(sharedFields, name); !ok && !slices.Contains(head, name) {
			t.Errorf("member %s of Measurement is not in sharedFields", name)
		}
	}
	if len(memberNames) != len(head)+len(sharedFields) {
		t.Errorf("%d members, %d fields and %d of the head", len(memberNames), len(sharedFields), len(head))
	}
}

// Whatever is left out of a kind is named, with its place.
func TestWhatAKindLeavesOutIsNamed(t *testing.T) {
	table(t, soakKind)
	field := func(name string, change func(f *Field)) func(k *soak) {
		return func(k *soak) {
			i := slices.IndexFunc(k.fields, func(f Field) bool { return f.Name == name })
			change(&k.fields[i])
		}
	}
	for says, leave := range map[string]func(k *soak){
		`the title of kind "soak" is missing`:                                     func(k *soak) { k.title = "" },
		`the summary of kind "soak" is missing`:                                   func(k *soak) { k.summary = " " },
		`the list of outputs of kind "soak" is empty`:                             func(k *soak) { k.outputs = nil },
		`field settle of kind "soak" is missing`:                                  func(k *soak) { k.fields = slices.Delete(k.fields, 7, 8) },
		`field dwell of kind "soak" has no label`:                                 field("dwell", func(f *Field) { f.Label = "" }),
		`field dwell of kind "soak" has no description for the schema`:            field("dwell", func(f *Field) { f.Doc = "" }),
		`field dwell of kind "soak" has no accessor of type quantity`:             field("dwell", func(f *Field) { f.value = nil }),
		`field polarity of kind "soak" has no accessor of type choice`:            field("polarity", func(f *Field) { f.value = soakDwell.value }),
		`field dwell of kind "soak" has no unit`:                                  field("dwell", func(f *Field) { f.Unit = "" }),
		`field polarity of kind "soak" has no choices`:                            field("polarity", func(f *Field) { f.Choices = nil }),
		`field dwell of kind "soak" has no words`:                                 field("dwell", func(f *Field) { f.Words = "" }),
		`field dwell of kind "soak" has words without one %s`:                     field("dwell", func(f *Field) { f.Words = "stands" }),
		`field dwell of kind "soak" stands under "elsewhere"`:                     field("dwell", func(f *Field) { f.Section = "elsewhere" }),
		`field dwell of kind "soak" has the type <nil> in the schema, not number`: field("dwell", func(f *Field) { f.Rules = nil }),
		`field dwell of kind "soak" stands 2 times`:                               func(k *soak) { k.fields = append(k.fields, soakDwell) },
		`field pins of kind "soak" has the name of a member of Measurement`:       field("pins", func(f *Field) { f.own = true }),
		`output drawn of kind "soak" has no key`:                                  func(k *soak) { k.outputs[0].Name = "" },
		`output drawn of kind "soak" has "X" for a unit`:                          func(k *soak) { k.outputs[0].Unit = "X" },
		`output other of kind "soak" is not known to Imagine`:                     func(k *soak) { k.outputs[0].Key = "other" },
	} {
		whole := soakKind
		copied := *soakKind.facts
		copied.fields, copied.outputs = slices.Clone(copied.fields), slices.Clone(copied.outputs)
		whole.facts = &copied
		leave(&whole)
		if missing := incomplete(whole); !slices.ContainsFunc(missing, func(s string) bool { return strings.HasPrefix(s, says) }) {
			t.Errorf("left out, %q is not said: %q", says, missing)
		}
	}
	if missing := incomplete(mute{soakKind}); !slices.Contains(missing, `output drawn of kind "soak" has neither a prediction nor a reason why not`) {
		t.Errorf("a kind that predicts nothing and gives no reason: %q", missing)
	}
	if missing := incomplete(misled{soakKind}); !slices.ContainsFunc(missing, func(s string) bool { return strings.HasPrefix(s, `Drives of kind "soak" says`) }) {
		t.Errorf("a kind that says other levels than its points have: %q", missing)
	}
}

// mute is a kind that gives no prediction and no reason.
type mute struct{ soak }

func (mute) Imagine(*Measurement, *dut.Device, string, float64) Imagined { return Imagined{} }

// misled says that its pins are at 0 V.
type misled struct{ soak }

func (misled) Drives(*Measurement, *dut.Device, int) Driven { return Driven{Known: true} }
