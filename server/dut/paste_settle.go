package dut

import (
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/quantity"
)

// logicWords are what datasheets call a family, in upper case without spaces and
// marks, besides its key and name.
var logicWords = map[string]string{
	"TTL": "5v-ttl", "HC": "5v-hc", "HCT": "5v-hct", "LVTTL": "3v3-lvttl", "LVCMOS": "3v3-lvcmos",
	"LVCMOS33": "3v3-lvcmos", "LVCMOS3.3V": "3v3-lvcmos", "3.3VCMOS": "3v3-lvcmos", "LVTTL33": "3v3-lvttl", "3.3VTTL": "3v3-lvttl",
	"LVCMOS25": "2v5", "LVCMOS2.5V": "2v5", "2.5V": "2v5", "2.5VCMOS": "2v5",
	"LVCMOS18": "1v8", "LVCMOS1.8V": "1v8", "1.8V": "1v8", "1.8VCMOS": "1v8",
	"LVCMOS15": "1v5", "LVCMOS1.5V": "1v5", "1.5V": "1v5", "1.5VCMOS": "1v5",
	"LVCMOS12": "1v2", "LVCMOS1.2V": "1v2", "1.2V": "1v2", "1.2VCMOS": "1v2",
	"5VTTL": "5v-ttl", "5VCMOS": "5v-cmos",
}

var logicSquash = strings.NewReplacer(" ", "", "-", "", "_", "", "(", "", ")", "")

// readLogic reads the logic family of a digital pin.
func (p *tableParser) readLogic(r *TableRow, o Origin) {
	if !digital(r.Pin.Function) {
		return
	}
	if _, ok := LogicFamilyOf(strings.ToLower(o.Text)); ok {
		r.Pin.Logic = strings.ToLower(o.Text)
	} else if key, ok := logicWords[strings.ToUpper(logicSquash.Replace(strings.ReplaceAll(o.Text, ",", ".")))]; ok {
		r.Pin.Logic = key
	} else {
		for _, f := range LogicFamilies() {
			if strings.EqualFold(f.Name, o.Text) {
				r.Pin.Logic = f.Key
			}
		}
	}
	if r.Pin.Logic == "" {
		p.problem(Note{Line: r.Line, Column: o.Column, Pin: r.Pin.Number,
			Message: quoted(o.Text) + " is not one logic family: write one of " + strings.Join(logicKeys(), ", ")})
		return
	}
	r.From = append(r.From, o)
}

func digital(f Function) bool { return f == Input || f == Output || f == Bidirectional }

// settle looks at the table as a whole: which rows are taken, which supplies they
// name, and what is missing.
func (p *tableParser) settle() {
	if len(p.Rows) == 0 {
		if len(p.Problems) == 0 {
			p.problem(Note{Message: "no line describes a pin: paste the rows below the headings too"})
		}
		return
	}
	p.choose()
	for _, l := range p.links {
		p.follow(l)
	}
	p.lookOver()
}

// choose takes each pin number once.
func (p *tableParser) choose() {
	first := map[int]int{}
	for i := range p.Rows {
		r := &p.Rows[i]
		n := Note{Line: r.Line, Column: p.column(MeansNumber) + 1, Pin: r.Pin.Number}
		at, dup := first[r.Pin.Number]
		switch {
		case r.Pin.Number < 1:
			n.Message = "pin " + itoa(r.Pin.Number) + " is not taken: pins are numbered from 1"
		case r.Pin.Number > MaxPins:
			n.Message = "pin " + itoa(r.Pin.Number) + " is not taken: a device has at most " + itoa(MaxPins) + " pins"
		case dup:
			n.Message = "pin " + itoa(r.Pin.Number) + " is described twice: line " + itoa(p.Rows[at].Line) + " (" + clip(p.Rows[at].Pin.Name, 30) +
				") is taken, this one (" + clip(r.Pin.Name, 30) + ") is not; correct one of the numbers"
		default:
			r.Used, first[r.Pin.Number] = true, i
			continue
		}
		p.problem(n)
	}
}

// follow looks up the supply that a row names.
func (p *tableParser) follow(l link) {
	r := &p.Rows[l.row]
	n := Note{Line: l.line, Column: l.column, Pin: r.Pin.Number}
	supply, why := p.supply(l.name, r.Pin.Number)
	if why != "" {
		n.Message = why
		p.problem(n)
		return
	}
	o := Origin{MeansClamp, l.column, clip(l.name, 60), "read"}
	if !l.relative {
		r.Pin.Clamp = supply.Number
		return
	}
	if l.above < 0 {
		n.Message = "a rating below the supply " + quoted(l.name) + " is not kept: write the highest voltage to ground"
		p.problem(n)
		return
	}
	r.Pin.Clamp, r.Pin.AboveClamp = supply.Number, l.above
	r.From = append(r.From, o, Origin{MeansAboveClamp, l.column, o.Text, "read"})
	if supply.MaxV > 0 && !r.Gave(MeansMaxV) {
		r.Pin.MaxV = sumV(supply.MaxV, l.above)
		r.From = append(r.From, Origin{MeansMaxV, l.column, o.Text, "from the rating of pin " + supply.Label()})
		n.Message = "rated relative to " + supply.Label() + ": the maximum to ground is taken as " + volts(r.Pin.MaxV)
		p.warn(n)
	}
}

// supply finds a supply pin by name or number, never the pin self.
func (p *tableParser) supply(text string, self int) (Pin, string) {
	name, _, _ := strings.Cut(text, "(")
	name = strings.TrimSpace(name)
	number, err := strconv.Atoi(name)
	var other *Pin
	for i := range p.Rows {
		q := &p.Rows[i].Pin
		if !p.Rows[i].Used || !strings.EqualFold(q.Name, name) && !(err == nil && q.Number == number) {
			continue
		}
		if q.Function == Supply && q.Number != self {
			return *q, ""
		}
		other = q
	}
	if other != nil && other.Number == self {
		return Pin{}, quoted(text) + " is the pin itself: name another supply pin"
	}
	if other != nil {
		return Pin{}, "pin " + other.Label() + " is no supply: " + quoted(text) + " must name a supply pin"
	}
	if _, err := quantity.Parse(text, quantity.Volt); err == nil {
		return Pin{}, quoted(text) + " is a voltage: name the supply pin instead, such as VCC"
	}
	return Pin{}, "no pin is called " + quoted(text) + ": name a supply pin of this table"
}

// lookOver warns of what a pin table rarely lacks.
func (p *tableParser) lookOver() {
	p.uncross()
	pins := p.Pins()
	if len(pins) == 0 {
		return
	}
	d := Device{Pins: pins}
	if len(d.PinsOf(Ground)) == 0 {
		p.warn(Note{Message: noGround})
	}
	have := map[int]bool{}
	names := map[string]int{}
	for _, q := range pins {
		have[q.Number] = true
		if at, dup := names[q.Name]; dup && !repeats(q.Function) {
			p.warn(Note{Pin: q.Number, Message: "pins " + itoa(at) + " and " + itoa(q.Number) + " are both called " + quoted(q.Name)})
		}
		names[q.Name] = q.Number
	}
	var gaps []int
	for n := 1; n < pins[len(pins)-1].Number; n++ {
		if !have[n] {
			gaps = append(gaps, n)
		}
	}
	if len(gaps) > 0 {
		p.warn(Note{Message: "no line describes pin " + spans(gaps) + ": it would be a no connect"})
	}
}

// uncross drops both voltages of a rating whose ends are the wrong way round, and
// takes a highest voltage below ground, with no other, as the lowest one.
func (p *tableParser) uncross() {
	for i := range p.Rows {
		r := &p.Rows[i]
		if r.Pin.MaxV < 0 && !r.Gave(MeansMinV) {
			p.warn(Note{Line: r.Line, Column: p.column(MeansMaxV) + 1, Pin: r.Pin.Number,
				Message: volts(r.Pin.MaxV) + " lies below ground and is taken as the lowest voltage"})
			r.Pin.MinV, r.Pin.MaxV = r.Pin.MaxV, 0
			for j := range r.From {
				if r.From[j].Field == MeansMaxV {
					r.From[j].Field = MeansMinV
				}
			}
		}
		if r.Pin.MinV <= r.Pin.MaxV || !r.Gave(MeansMinV) || !r.Gave(MeansMaxV) {
			continue
		}
		p.problem(Note{Line: r.Line, Column: p.column(MeansMaxV) + 1, Pin: r.Pin.Number,
			Message: "the lowest rating " + volts(r.Pin.MinV) + " is above the highest " + volts(r.Pin.MaxV) + ": neither is taken"})
		r.Pin.MinV, r.Pin.MaxV = 0, 0
		r.From = slices.DeleteFunc(r.From, func(o Origin) bool { return o.Field == MeansMinV || o.Field == MeansMaxV })
	}
}

// spans writes ascending numbers as "3, 5 to 9".
func spans(numbers []int) string {
	var parts []string
	for i := 0; i < len(numbers); {
		j := i
		for j+1 < len(numbers) && numbers[j+1] == numbers[j]+1 {
			j++
		}
		switch j - i {
		case 0:
			parts = append(parts, itoa(numbers[i]))
		case 1:
			parts = append(parts, itoa(numbers[i]), itoa(numbers[j]))
		default:
			parts = append(parts, itoa(numbers[i])+" to "+itoa(numbers[j]))
		}
		i = j + 1
	}
	return strings.Join(slices.Clip(parts), ", ")
}
