package procedure

import (
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
)

// ServedBy is what of the bench a pin was read by.
type ServedBy struct {
	Channel bench.ChannelID `json:"channel" doc:"number of the channel"`
	Path    bench.PathID    `json:"path,omitempty" doc:"number of the path; absent: a strap leads there"`
	Contact int             `json:"contact,omitempty" doc:"contact of the socket"`
}

// Served is what each pin of each measurement was read by, as the run's plan has it.
type Served map[ServedPin][]ServedBy

// ServedPin is a pin in a measurement, by its place in the procedure.
type ServedPin struct{ Measurement, Pin int }

// ServedIn works out what the pins of a run were read by, in the order in which
// that was connected. Where no plan can be made of the record any more, nothing is
// known.
func ServedIn(rec *Record) Served {
	out := Served{}
	planner := NewPlanner(&rec.Device, &rec.PinMap, &rec.Bench)
	for i := range rec.Procedure.Measurements {
		m := rec.Procedure.Measurements[i]
		kind, ok := KindByKey(m.Kind)
		if m.Disabled {
			continue
		}
		if !ok || kind.Validate(&m, &rec.Device).Err() != nil {
			return Served{}
		}
		kind.Shorten(&m)
		reads := map[*Segment][]int{}
		step, err := planner.Step(i, &m, kind, func(seg *Segment, pt *Point) {
			for _, pin := range pt.Read {
				if !pt.Auxiliary && !slices.Contains(reads[seg], pin) {
					reads[seg] = append(reads[seg], pin)
				}
			}
		})
		if err != nil {
			return Served{}
		}
		for _, seg := range step.Segments {
			for _, pin := range reads[seg] {
				out.add(ServedPin{i, pin}, seg, &rec.PinMap)
			}
		}
	}
	return out
}

func (s Served) add(at ServedPin, seg *Segment, pm *bench.PinMap) {
	ch, ok := seg.Assign.Channel[at.Pin]
	if !ok {
		return
	}
	by := ServedBy{Channel: ch, Path: seg.Assign.Path[at.Pin], Contact: pm.Contacts[at.Pin]}
	if !slices.Contains(s[at], by) {
		s[at] = append(s[at], by)
	}
}

// Of is what a result was read by.
func (s Served) Of(x *Result) []ServedBy { return s[ServedPin{x.Measurement, x.Pin}] }

// Columns are the names of channels, paths and contacts of a result, several of one
// joined by "; ".
func (s Served) Columns(x *Result, def *bench.Definition) (channels, paths, contacts string) {
	var a, b, c []string
	add := func(to *[]string, word string) {
		if word != "" && !slices.Contains(*to, word) {
			*to = append(*to, word)
		}
	}
	for _, by := range s.Of(x) {
		add(&a, def.ChannelName(by.Channel))
		if p, ok := def.PathByID(by.Path); ok {
			add(&b, p.Address)
		}
		if by.Contact != 0 {
			add(&c, strconv.Itoa(by.Contact))
		}
	}
	return strings.Join(a, "; "), strings.Join(b, "; "), strings.Join(c, "; ")
}
