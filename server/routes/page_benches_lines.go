package routes

import (
	"strconv"
	"strings"

	"ohmkeep/server/bench"
)

// lineNamed is the line that a text names: a channel by its name or its number,
// or the return.
func lineNamed(d *bench.Definition, text string) (bench.ChannelID, bool) {
	if rest, ok := strings.CutPrefix(text, "#"); ok {
		if n, err := strconv.Atoi(rest); err == nil && n >= 0 && n < 256 {
			_, known := d.ChannelByID(bench.ChannelID(n))
			return bench.ChannelID(n), known || n == 0
		}
	}
	for _, same := range []func(a, b string) bool{func(a, b string) bool { return a == b }, strings.EqualFold} {
		for i := range d.Channels {
			if d.Channels[i].Name != "" && same(d.Channels[i].Name, text) {
				return d.Channels[i].ID, true
			}
		}
	}
	if strings.EqualFold(text, "return") || text == "0" {
		return 0, true
	}
	if n, err := strconv.Atoi(text); err == nil && n > 0 && n < 256 {
		_, known := d.ChannelByID(bench.ChannelID(n))
		return bench.ChannelID(n), known
	}
	return 0, false
}

// lineWord is what lineNamed reads as that line.
func lineWord(d *bench.Definition, id bench.ChannelID) string {
	name := "return"
	if ch, ok := d.ChannelByID(id); ok {
		name = ch.Name
	}
	if got, ok := lineNamed(d, name); ok && got == id && !strings.ContainsAny(name, ",;\t|") && name == strings.TrimSpace(name) && !strings.EqualFold(name, allChannels) {
		return name
	}
	return "#" + strconv.Itoa(int(id))
}
