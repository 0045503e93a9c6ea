package dut

import "math"

// readRatingOf reads a voltage or current rating into the pin. unit is what the
// row's own column of units says, for headings without one.
func (p *tableParser) readRatingOf(r *TableRow, o Origin, unit string) {
	c := p.Columns[o.Column-1]
	if m := unitAlone.FindStringSubmatch(unit); c.Unit == "" && m != nil {
		c.Unit = m[1]
	}
	n := Note{Line: r.Line, Column: o.Column, Pin: r.Pin.Number}
	if further, _ := ratingOf(o.Field); further.Further() {
		p.enterFurther(r, o, n, &further, c.Unit)
		return
	}
	v := readRating(o.Text, c.Unit)
	if v.why != "" {
		n.Message = quoted(o.Text) + ": " + v.why
		p.problem(n)
		return
	}
	if o.Field == MeansMaxI && v.hasMax && v.assumed { // a bare number in a column of currents
		v = rating{maxI: math.Abs(v.max), hasI: true, assumed: true}
	}
	if o.Field == MeansMaxV && v.hasI && !v.hasMax { // a general rating column
		o.Field = MeansMaxI
	}
	if v.assumed {
		unit := "V"
		if o.Field == MeansMaxI {
			unit = "A"
		}
		p.assumeUnit(o.Column, unit)
	}
	p.enter(r, o, n, v)
}

// enterFurther reads a rating that stands on its own into the pin.
func (p *tableParser) enterFurther(r *TableRow, o Origin, n Note, further *Rating, unit string) {
	v, assumed, why := further.read(o.Text, unit)
	if why != "" {
		n.Message = quoted(o.Text) + ": " + why
		p.problem(n)
		return
	}
	if assumed {
		p.assumeUnit(o.Column, string(further.Unit))
	}
	*further.Of(&r.Pin) = v
	r.From = append(r.From, o)
}

// assumeUnit says once for each column that numbers had no unit.
func (p *tableParser) assumeUnit(column int, unit string) {
	c := &p.Columns[column-1]
	if c.Unit == "" && c.Why == "" {
		c.Why = "numbers without a unit are taken in " + unit
		p.warn(Note{Column: column, Message: "neither the heading " + quoted(c.Heading) + " nor the cells give a unit: the numbers are taken in " + unit})
	}
}

// enter puts a rating into the pin, within what a bench can do at all.
func (p *tableParser) enter(r *TableRow, o Origin, n Note, v rating) {
	for _, x := range []float64{v.min, v.max, v.above} {
		if math.Abs(x) > ratingLimitV {
			n.Message = quoted(o.Text) + " is beyond ±" + itoa(ratingLimitV) + " V: check the unit, or write the rating in volts"
			p.problem(n)
			return
		}
	}
	if v.maxI > maxRatedI {
		n.Message = quoted(o.Text) + " is more than " + itoa(maxRatedI) + " A: write the unit, such as 20 mA, in the cell or the heading"
		p.problem(n)
		return
	}
	if v.hasMin && v.min > 0 || o.Field == MeansMinV && v.max > 0 {
		n.Message = quoted(o.Text) + " leaves out 0 V, where every pin starts: enter the absolute lowest voltage, usually 0 V or a little below"
		p.problem(n)
		return
	}
	put := func(to *float64, value float64, field Meaning) {
		*to = value
		o.Field = field
		r.From = append(r.From, o)
	}
	switch {
	case o.Field == MeansMinV && v.hasMax:
		put(&r.Pin.MinV, v.max, MeansMinV)
	case o.Field == MeansAboveClamp && v.hasMax && v.max >= 0:
		put(&r.Pin.AboveClamp, v.max, MeansAboveClamp)
	case o.Field == MeansAboveClamp && v.base != "", o.Field == MeansMaxV && v.base != "":
		p.links = append(p.links, link{row: len(p.Rows), line: n.Line, column: n.Column, name: v.base, relative: true, above: v.above})
		if v.hasMin {
			put(&r.Pin.MinV, v.min, MeansMinV)
		}
	case o.Field == MeansMaxV && v.hasMax:
		put(&r.Pin.MaxV, v.max, MeansMaxV)
		if v.hasMin {
			put(&r.Pin.MinV, v.min, MeansMinV)
		}
		if v.hasI {
			put(&r.Pin.MaxI, v.maxI, MeansMaxI)
		}
	case o.Field == MeansMaxI && v.hasI:
		put(&r.Pin.MaxI, v.maxI, MeansMaxI)
	default:
		n.Message = quoted(o.Text) + " does not fit a column of " + string(o.Field)
		p.problem(n)
	}
}
