package emulator

import (
	"fmt"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/scpi"
)

// The timeout and the watchdog of the connection that Describe describes, s.
const (
	describedTimeout  = 1.0
	describedWatchdog = 2.0
)

// maxKey is the largest length of a document's key.
const maxKey = 64

// Describe is the same bench as cards behind one connection at an address, as
// a host would have it: with a key and a name of its own, and its paths called
// channel!contact (0 is the return).
func Describe(def bench.Definition, address string) bench.Definition {
	out := def
	out.Key = "card-" + def.Key
	if len(out.Key) > maxKey {
		out.Key = out.Key[:maxKey]
	}
	out.Name = def.Name + " over a connection"
	out.Channels = slices.Clone(def.Channels)
	out.Paths = slices.Clone(def.Paths)
	for i := range out.Paths {
		item := itemOf(&def, &out.Paths[i])
		out.Paths[i].Address = fmt.Sprintf("%d!%d", item.A, item.B)
	}
	var cards []int
	for i := range def.Channels {
		cards = append(cards, def.Channels[i].Card)
	}
	for i := range def.Paths {
		cards = append(cards, def.CardOf(&def.Paths[i]))
	}
	slices.Sort(cards)
	out.Connections = []bench.Connection{{
		Name: "card", Cards: slices.Compact(cards), Address: address,
		Timeout: describedTimeout, Watchdog: describedWatchdog,
	}}
	return out
}

// itemOf returns the item that names a path in a channel list.
func itemOf(def *bench.Definition, p *bench.Path) scpi.Item {
	item := scpi.Item{A: 0, B: p.Contact}
	if ch, ok := def.ChannelByID(p.Channel); ok {
		item.A = ch.NumberOf()
	}
	return item
}
