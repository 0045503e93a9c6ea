package check

import (
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/quantity"
)

// numberedCurrent is what is driven through the numbered plug, A: with 48
// contacts of 100 Ω a step, and as much on the way back, about 1 V.
const numberedCurrent = 100e-6

// numberedPlug reads from the resistor behind each contact which number it has.
func (q *sequence) numberedPlug() {
	all, ok := q.everyContact(plugKind{numberedCurrent, fewestNumbered, 60e3, isNumbered})
	if q.err != nil {
		return
	}
	step, _ := stepOf(all)
	if !ok {
		q.found(Finding{Kind: OtherSocket, Fault: true,
			Said: "The numbered plug is not in the socket: the resistances behind the contacts do not go up with their numbers. Nothing was kept of this step.",
			Do:   "Put the numbered plug in, pin 1 to contact 1, and do this step again."})
		return
	}
	q.sayTouching(all)
	if len(all) == 0 {
		return
	}
	poor := q.poorContacts()
	wrong := map[int]int{}
	for c, t := range all {
		if t.open {
			continue
		}
		if n := int(math.Round((t.ohms.X - poor[c]) / step)); n != c {
			wrong[c] = n
		}
	}
	for c := 1; c <= q.Def.Contacts; c++ {
		n, is := wrong[c]
		if !is || wrong[n] == c && n < c {
			continue // the pair was said with the smaller one
		}
		q.found(q.wrongContact(all, c, n, wrong, step))
	}
}

// poorContacts is what the shorting plug found between contacts and plug, Ω: it is
// in series with the numbered plug, too.
func (q *sequence) poorContacts() map[int]float64 {
	out := map[int]float64{}
	if q.Before == nil {
		return out
	}
	if plug := q.Before.Result(Plug); plug != nil {
		for _, c := range plug.Contacts {
			if c.Value > poorAbove {
				out[c.Contact] = c.Value
			}
		}
	}
	return out
}

// wrongContact is the finding of a contact c behind which the plug says number n.
// wrong is all such contacts; step is in ohms.
func (q *sequence) wrongContact(all map[int]touching, c, n int, wrong map[int]int, step float64) Finding {
	f := Finding{Kind: WrongContact, Fault: true, Contacts: []int{c}, Evidence: []string{evidenceOf(c, all[c], step)}}
	_, elsewhere := wrong[n]
	switch {
	case wrong[n] == c:
		f.Contacts = []int{c, n}
		f.Said = fmt.Sprintf("Contacts %d and %d are exchanged: the wire of each leads to the other.", c, n)
		f.Do = "Exchange the two wires between the multiplexers and the socket, or exchange the two contacts in the pin maps."
		f.Evidence = append(f.Evidence, evidenceOf(n, all[n], step))
	case !elsewhere && all[c].ohms.X > float64(c)*step:
		// Contact n has its own number, so this one has something in series.
		f.Kind = PoorContact
		f.Said = fmt.Sprintf("Contact %d is poor: about %s more than the plug has there.", c, ohms(all[c].ohms.X-float64(c)*step))
		f.Do = doContact
	default:
		f.Said = fmt.Sprintf("The wire of contact %d leads to another place: the plug says %s, which is number %d.", c, ohms(all[c].ohms.X), n)
		f.Do = "Follow the wire from the multiplexers to the socket; until then do not use this contact."
	}
	return f
}

func evidenceOf(c int, t touching, step float64) string {
	return fmt.Sprintf("contact %d: %s, where %d × %s is expected", c, withU(t.ohms.X, half(t.ohms), quantity.Ohm), c, ohms(step))
}

// fewestNumbered is how many contacts it takes to tell a numbered plug from other
// resistances.
const fewestNumbered = 3

func isNumbered(all map[int]touching) bool {
	_, ok := stepOf(all)
	return ok
}

// stepOf is the resistance of one step, the median of what each contact says of
// it, Ω. It reports false where less than three quarters of the contacts agree.
func stepOf(all map[int]touching) (float64, bool) {
	var each []float64
	for c, t := range all {
		if !t.open {
			each = append(each, t.ohms.X/float64(c))
		}
	}
	if len(each) < fewestNumbered {
		return 0, false
	}
	slices.Sort(each)
	step := each[len(each)/2]
	agree := 0
	for c, t := range all {
		if !t.open && math.Abs(t.ohms.X-float64(c)*step) < step/2 {
			agree++
		}
	}
	return step, step > 1 && 4*agree >= 3*len(each)
}
