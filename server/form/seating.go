package form

import (
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// FaultColumns is the grid of faults: which kind, where, where else, how much.
var FaultColumns = Columns{"fault", "at", "other", "value"}

// FaultChoice is how a form asks for one kind of fault.
type FaultChoice struct {
	Key, Label string
	Unit       quantity.Unit // of its value; One where it has none
	At         string        // what "at" asks for: "pin", "multiplexer", "path", "channel", "contact"
	Other      string        // what "other" asks for; "" where it is not asked
	ValueLabel string        // "" where no value is asked
}

// faultFields are the fields of a fault as a form asks for them.
var faultFields = map[string]string{
	"pin": "pin", "pin2": "pin", "mux": "multiplexer", "path": "path", "channel": "channel", "contact": "contact", "contact2": "contact",
}

// FaultChoices says how a form asks for each kind of fault.
func FaultChoices(kinds []bench.FaultKind) []FaultChoice {
	var out []FaultChoice
	for _, k := range kinds {
		c := FaultChoice{Key: k.Kind, Label: k.Title}
		for _, f := range k.Fields {
			switch {
			case f == "value" && k.Unit == string(quantity.Ohm):
				c.ValueLabel, c.Unit = "resistance", quantity.Ohm
			case f == "value":
				c.ValueLabel = "part, such as 2 %"
			case c.At == "":
				c.At = faultFields[f]
			default:
				c.Other = faultFields[f]
			}
		}
		out = append(out, c)
	}
	return out
}

// choiceOf is the choice of a kind of fault. A kind that the bench no longer has
// is asked for at a contact.
func choiceOf(kinds []bench.FaultKind, key string) FaultChoice {
	choices := FaultChoices(kinds)
	if i := slices.IndexFunc(choices, func(c FaultChoice) bool { return c.Key == key }); i >= 0 {
		return choices[i]
	}
	return FaultChoice{Key: key, Label: key, At: "contact"}
}

// UnitFaultText is a fault of a unit in words.
func UnitFaultText(kinds []bench.FaultKind, f bench.UnitFault) string {
	words := choiceOf(kinds, f.Kind).Label + ", pin " + strconv.Itoa(f.Pin)
	if f.Pin2 != 0 {
		words += " and pin " + strconv.Itoa(f.Pin2)
	}
	return words + ohmsText(f.Value)
}

// BenchFaultText is a fault of the bench itself in words.
func BenchFaultText(kinds []bench.FaultKind, f bench.BenchFault, def *bench.Definition) string {
	c := choiceOf(kinds, f.Kind)
	switch c.At {
	case "multiplexer":
		return c.Label + ": " + f.Mux
	case "path":
		words := c.Label + ": path " + strconv.Itoa(int(f.Path))
		if i := slices.IndexFunc(def.Paths, func(p bench.Path) bool { return p.ID == f.Path }); i >= 0 {
			words += " (" + def.Paths[i].Address + ")"
		}
		return words
	case "channel":
		return c.Label + ": " + def.ChannelName(f.Channel) + ", " + quantity.Format(100*f.Value, quantity.Percent, 3)
	}
	words := c.Label + ": contact " + strconv.Itoa(f.Contact)
	if f.Contact2 != 0 {
		words += " and contact " + strconv.Itoa(f.Contact2)
	}
	return words + ohmsText(f.Value)
}

// ohmsText is a resistance behind other words; nothing for 0.
func ohmsText(v float64) string {
	if v == 0 {
		return ""
	}
	return ", " + quantity.Format(v, quantity.Ohm, 3)
}

// plainOrEmpty writes a number without a unit; 0 leaves the field empty.
func plainOrEmpty(v float64) string {
	if v == 0 {
		return ""
	}
	return quantity.Plain(v)
}

// What is chosen for the socket: a device's unit, or a model without a device.
const (
	deviceChoice = "device:"
	modelChoice  = "model:"
)

// DeviceChoice and ModelChoice are the values of the choice for the socket.
func DeviceChoice(key string) string { return deviceChoice + key }

// ModelChoice is the choice of a model without a device.
func ModelChoice(key string) string { return modelChoice + key }

// SeatingValues writes what is in the socket as a form. The bench's own faults
// have a form of their own.
func SeatingValues(q *bench.Seating) url.Values {
	v := url.Values{"model": {ModelChoice(q.Model)}, "serial": {q.Serial}, "lot": {q.Lot}, "seed": {strconv.FormatUint(q.Seed, 10)}}
	if q.Device != "" {
		v.Set("model", DeviceChoice(q.Device))
	}
	for _, x := range q.Options {
		v.Set("option", quantity.Plain(x))
	}
	for _, f := range q.UnitFaults {
		FaultColumns.Add(v, f.Kind, strconv.Itoa(f.Pin), Number(f.Pin2), plainOrEmpty(f.Value))
	}
	return v
}

// SeatedDevice is the key of the device whose unit is chosen for the socket.
func SeatedDevice(v url.Values) (key string, ok bool) {
	return strings.CutPrefix(v.Get("model"), deviceChoice)
}

// CheckSeating reads what is put into the socket of a rehearsal bench that has
// these models. model is that of the device that is chosen, if one is. seeded
// tells whether a seed was given; where none was it is 0 and follows from the
// unit.
func CheckSeating(v url.Values, models []bench.Model, model string) (q bench.Seating, seeded bool, ps dut.Problems) {
	r := NewReader(v)
	q = bench.Seating{Serial: r.Line("serial"), Lot: r.Line("lot"), Model: model}
	device, ok := SeatedDevice(v)
	if q.Device = device; !ok {
		q.Device = ""
		q.Model, _ = strings.CutPrefix(v.Get("model"), modelChoice)
	}
	i := slices.IndexFunc(models, func(m bench.Model) bool { return m.Key == q.Model })
	if i < 0 {
		return q, false, dut.Problems{{Field: "model", Message: "choose what is put in the socket"}}
	}
	if option := r.Field(dut.At("option")); option.Given() && len(models[i].Options) > 0 {
		o := models[i].Options[0]
		x, err := quantity.Parse(option.Text, quantity.Unit(o.Unit))
		if err != nil {
			r.Fail(option, "%s: %s", o.Title, err.Error())
		}
		q.Options = map[string]float64{o.Key: x}
	}
	if seed := r.Field(dut.At("seed")); seed.Given() {
		seeded = true
		n, err := strconv.ParseUint(seed.Text, 10, 53)
		if err != nil {
			r.Fail(seed, "give a whole number, 0 to 9007199254740991")
		}
		q.Seed = n
	}
	for _, row := range r.faultRows() {
		q.UnitFaults = append(q.UnitFaults, bench.UnitFault{Kind: row.kind, Pin: r.place(row.at), Pin2: r.place(row.other), Value: r.Quantity(row.value, quantity.Ohm)})
	}
	return q, seeded, r.Problems
}

// SurroundingsValues writes which bench is drawn and in which world as a form.
func SurroundingsValues(v url.Values, seed uint64, w bench.World, worlds []bench.NamedWorld) {
	v.Set("benchSeed", strconv.FormatUint(seed, 10))
	v.Set("ambient", quantity.Plain(w.Ambient))
	if k := worldNamed(worlds, w); k >= 0 {
		v.Set("world", worlds[k].Key)
	}
}

// worldNamed is the named world that a world is, its temperature aside; -1 for
// none.
func worldNamed(worlds []bench.NamedWorld, w bench.World) int {
	return slices.IndexFunc(worlds, func(n bench.NamedWorld) bool {
		n.World.Ambient = w.Ambient
		return n.World == w
	})
}

// SurroundingsText is which bench is drawn and in which world, in words.
func SurroundingsText(seed uint64, w bench.World, worlds []bench.NamedWorld) string {
	title := "effects of its own"
	if k := worldNamed(worlds, w); k >= 0 {
		title = worlds[k].Title
	}
	return "Bench of seed " + strconv.FormatUint(seed, 10) + " at " + quantity.Plain(w.Ambient) + " °C; " + title
}

// CheckSurroundings reads which bench is drawn and in which world into a
// seating. What is empty stays as it is: the seed, the world and the
// temperature of now.
func CheckSurroundings(v url.Values, now bench.World, worlds []bench.NamedWorld, q *bench.Seating) dut.Problems {
	r := NewReader(v)
	if seed := r.Field(dut.At("benchSeed")); seed.Given() {
		n, err := strconv.ParseUint(seed.Text, 10, 53)
		if err != nil {
			r.Fail(seed, "give a whole number, 0 to 9007199254740991")
		}
		q.BenchSeed = &n
	}
	world, room := r.Field(dut.At("world")), r.Field(dut.At("ambient"))
	w := now
	if world.Given() {
		k := slices.IndexFunc(worlds, func(n bench.NamedWorld) bool { return n.Key == world.Text })
		if k < 0 {
			r.Fail(world, "choose what the bench has of a real one")
			return r.Problems
		}
		if w = worlds[k].World; worldNamed(worlds, now) == k {
			w.Ambient = now.Ambient
		}
	}
	if room.Given() {
		text, _ := strings.CutSuffix(room.Text, "°C")
		x, err := quantity.Parse(strings.TrimSpace(text), quantity.One)
		if err != nil {
			r.Fail(room, "give a temperature in °C, such as 23")
		}
		w.Ambient = x
	}
	if world.Given() || room.Given() {
		q.World = &w
	}
	return r.Problems
}

// BenchFaultValues writes the faults of the bench itself as a form.
func BenchFaultValues(faults []bench.BenchFault, kinds []bench.FaultKind) url.Values {
	v := url.Values{}
	for _, f := range faults {
		at := Number(f.Contact)
		switch choiceOf(kinds, f.Kind).At {
		case "multiplexer":
			at = f.Mux
		case "path":
			at = strconv.Itoa(int(f.Path))
		case "channel":
			at = strconv.Itoa(int(f.Channel))
		}
		FaultColumns.Add(v, f.Kind, at, Number(f.Contact2), plainOrEmpty(f.Value))
	}
	return v
}

// CheckBenchFaults reads the faults of the bench itself from their form.
func CheckBenchFaults(v url.Values, kinds []bench.FaultKind, def *bench.Definition) ([]bench.BenchFault, dut.Problems) {
	r := NewReader(v)
	var out []bench.BenchFault
	for _, row := range r.faultRows() {
		b := bench.BenchFault{Kind: row.kind}
		switch choiceOf(kinds, row.kind).At {
		case "multiplexer":
			b.Mux = row.at.Text
		case "path":
			b.Path = bench.PathID(r.place(row.at))
		case "channel":
			b.Channel, b.Value = r.faultyChannel(row.at, def), r.fraction(row.value)
		default:
			b.Contact, b.Contact2, b.Value = r.place(row.at), r.place(row.other), r.Quantity(row.value, quantity.Ohm)
		}
		out = append(out, b)
	}
	return out, r.Problems
}

// faultRow is one row of a form's faults.
type faultRow struct {
	kind             string
	at, other, value Field
}

// faultRows are the rows that name a fault. The fields of row i are named with
// i+1, as the page counts them.
func (r *Reader) faultRows() []faultRow {
	var out []faultRow
	for i := range FaultColumns.Rows(r.Values) {
		field := func(name string) Field { return r.Cell(dut.At(name+"-"+strconv.Itoa(i+1)), name, i) }
		if kind := field("fault").Text; kind != "" {
			out = append(out, faultRow{kind, field("at"), field("other"), field("value")})
		}
	}
	return out
}

// mostPlaces bounds the number of a place.
const mostPlaces = 65535

// place reads the number of a pin, contact or path; nothing is 0.
func (r *Reader) place(f Field) int {
	if !f.Given() {
		return 0
	}
	n, err := strconv.Atoi(f.Text)
	if err != nil || n < 0 || n > mostPlaces {
		r.Fail(f, "give its number")
	}
	return n
}

// faultyChannel reads a channel by its name or its number.
func (r *Reader) faultyChannel(f Field, def *bench.Definition) bench.ChannelID {
	for _, c := range def.Channels {
		if f.Given() && strings.EqualFold(c.Name, f.Text) {
			return c.ID
		}
	}
	return bench.ChannelID(min(r.place(f), 255))
}

// fraction reads a part of one: "2 %" or "0.02"; it must be given.
func (r *Reader) fraction(f Field) float64 {
	text, percent := strings.CutSuffix(f.Text, "%")
	v, err := quantity.Parse(text, quantity.One)
	if err != nil {
		r.Fail(f, "%s", err.Error())
	}
	if percent {
		v /= 100
	}
	return v
}
