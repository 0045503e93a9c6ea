package check

import "ohmkeep/server/bench"

// spoilt is what earlier steps found faults in, so that a later one neither uses
// it nor names the same fault once more by its consequences.
type spoilt struct {
	paths    map[bench.PathID]bool
	channels map[bench.ChannelID]bool // a switch of whose line conducts, or that err
	contacts map[int]bool             // at which a switch conducts
}

// spoiltBy works it out from the findings of the other steps. What the same step
// found when it was last done is looked for again.
func spoiltBy(def *bench.Definition, before *Record, now Step) spoilt {
	out := spoilt{map[bench.PathID]bool{}, map[bench.ChannelID]bool{}, map[int]bool{}}
	if before == nil {
		return out
	}
	for _, step := range before.Steps {
		if step.Step == now {
			continue
		}
		for i := range step.Findings {
			out.take(def, &step.Findings[i])
		}
	}
	return out
}

func (s *spoilt) take(def *bench.Definition, f *Finding) {
	conducts := f.Kind == EnableFloats || f.Kind == StuckClosed
	for _, id := range f.Paths {
		s.paths[id] = true
	}
	for i := range def.Paths {
		if p := &def.Paths[i]; f.Kind == EnableFloats && p.Mux == f.Mux {
			s.paths[p.ID] = true
		}
	}
	if conducts || f.Kind == ChannelDisagrees {
		for _, ch := range f.Channels {
			s.channels[ch] = true
		}
	}
	if conducts || f.Kind == LeakyContact {
		for _, c := range f.Contacts {
			s.contacts[c] = true
		}
	}
}
