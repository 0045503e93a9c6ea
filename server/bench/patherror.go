package bench

import "math"

// PathError is what lies between a channel's sense point and the pin that a
// path leads to: Series is the resistance that a local sense does not see, in
// ohms; Shunt is the conductance of the open switches beside it, in siemens,
// through which current flows that never reaches the pin.
type PathError struct{ Series, Shunt float64 }

// PathErrorOf works out the error of a closed path. A remote sense sees no
// series resistance. Path 0 is a strap: a wire.
func (d *Definition) PathErrorOf(ch *Channel, id PathID, remote bool) PathError {
	var e PathError
	p, ok := d.PathByID(id)
	if !remote {
		e.Series = ch.SourceR
		if ok {
			e.Series += p.Resistance
		}
	}
	for i := range d.Paths {
		o := &d.Paths[i]
		if o.ID != id && (o.Channel == ch.ID || ok && o.Contact == p.Contact) {
			e.Shunt += o.Leakage
		}
	}
	return e
}

// Add widens the standard uncertainties of a voltage (V) and a current (A) by
// what the path may take of them: the drop along it, at most Series·|i|, and
// the leakage beside it, at most Shunt·|v|, both bounds without further
// knowledge and so rectangular (GUM 4.3.7). Nothing is corrected: the readings
// stay what was sensed.
func (e PathError) Add(uv, ui, v, i float64) (float64, float64) {
	drop, leak := e.Series*i, e.Shunt*v
	return math.Sqrt(uv*uv + drop*drop/3), math.Sqrt(ui*ui + leak*leak/3)
}
