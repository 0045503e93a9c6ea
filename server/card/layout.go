package card

import (
	"fmt"
	"slices"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/scpi"
)

// layout is the channels and paths behind one connection.
type layout struct {
	channels []*bench.Channel // in the definition's order
	paths    []switched       // in the order of their addresses
}

// switched is a path behind a connection, with its address there.
type switched struct {
	id   bench.PathID
	item scpi.Item // its address, taken apart
	text string    // as it is written in a channel list
	// channel is the line that it leads to, 0 for the return.
	channel bench.ChannelID
}

// layoutOf works out what is behind a connection.
func layoutOf(def *bench.Definition, c *bench.Connection) (layout, error) {
	var l layout
	numbers := map[int]string{}
	for i := range def.Channels {
		ch := &def.Channels[i]
		if !slices.Contains(c.Cards, ch.Card) {
			continue
		}
		if other, twice := numbers[ch.NumberOf()]; twice {
			return l, fmt.Errorf("card: channels %s and %s both have number %d behind %s", other, ch.Name, ch.NumberOf(), c.Name)
		}
		numbers[ch.NumberOf()] = ch.Name
		l.channels = append(l.channels, ch)
	}
	addresses := map[scpi.Item]bench.PathID{}
	for i := range def.Paths {
		p := &def.Paths[i]
		if !slices.Contains(c.Cards, def.CardOf(p)) {
			continue
		}
		text := strings.TrimSpace(p.Address)
		items, err := scpi.ParseChannelList(nil, "(@"+text+")")
		if err != nil || len(items) != 1 {
			return l, fmt.Errorf("card: path %d: the address %q is not one item of a channel list, such as 1!12", p.ID, p.Address)
		}
		if other, twice := addresses[items[0]]; twice {
			return l, fmt.Errorf("card: paths %d and %d both have the address %s behind %s", other, p.ID, text, c.Name)
		}
		addresses[items[0]] = p.ID
		l.paths = append(l.paths, switched{p.ID, items[0], text, p.Channel})
	}
	slices.SortFunc(l.paths, func(a, b switched) int {
		if a.item.A != b.item.A {
			return a.item.A - b.item.A
		}
		return a.item.B - b.item.B
	})
	return l, nil
}

// wanted checks that a set of paths can be closed together.
func wanted(def *bench.Definition, index map[bench.PathID]int, paths []bench.PathID) (map[bench.PathID]bool, error) {
	want := make(map[bench.PathID]bool, len(paths))
	taken := map[string]string{}
	for _, id := range paths {
		i, known := index[id]
		if !known {
			return nil, fmt.Errorf("card: there is no path %d", id)
		}
		if want[id] {
			return nil, fmt.Errorf("card: path %d is named twice", id)
		}
		want[id] = true
		p := &def.Paths[i]
		if p.Mux == "" {
			continue
		}
		if other, is := taken[p.Mux]; is {
			return nil, fmt.Errorf("card: paths %s and %s exclude each other: both are on multiplexer %s", other, p.Address, p.Mux)
		}
		taken[p.Mux] = p.Address
	}
	return want, nil
}
