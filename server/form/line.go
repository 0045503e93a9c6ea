package form

import (
	"strconv"
	"strings"

	"ohmkeep/server/bench"
)

// AllChannels stands for every channel of the bench where a form asks for some.
const AllChannels = "all"

// returnWord is what a form calls the return.
const returnWord = "return"

// Line finds the line that a text names: a channel by its name, or by its
// number with or without # before it, or the return, 0. ok is false where the
// bench has no such line.
func Line(d *bench.Definition, text string) (id bench.ChannelID, ok bool) {
	if rest, number := strings.CutPrefix(text, "#"); number {
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
	if strings.EqualFold(text, returnWord) || text == "0" {
		return 0, true
	}
	if n, err := strconv.Atoi(text); err == nil && n > 0 && n < 256 {
		_, known := d.ChannelByID(bench.ChannelID(n))
		return bench.ChannelID(n), known
	}
	return 0, false
}

// LineText is what Line reads as that line: its name where that is enough, or
// else its number.
func LineText(d *bench.Definition, id bench.ChannelID) string {
	name := returnWord
	if ch, ok := d.ChannelByID(id); ok {
		name = ch.Name
	}
	if got, ok := Line(d, name); ok && got == id && !strings.ContainsAny(name, ",;\t|") && name == strings.TrimSpace(name) && !strings.EqualFold(name, AllChannels) {
		return name
	}
	return "#" + strconv.Itoa(int(id))
}
