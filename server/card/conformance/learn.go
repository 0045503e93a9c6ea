package conformance

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"ohmkeep/server/bench"
)

// learn finds out by asking what is not known of the card: with every output
// off and every path open, and nothing is switched.
func (c *check) learn(ctx context.Context) error {
	if c.card.learned {
		c.first(ctx, "the ranges are found out by asking", "RANG <x>, RANG? → the smallest full scale that holds it, up to the largest", c.learnRanges)
	}
	if c.card.noPaths == "" && c.card.paths == nil {
		c.first(ctx, "paths are found out by asking", "ROUT:CLOS? of contacts 1 and 2 of each line → 0, or -222", c.learnPaths)
	}
	if len(c.card.paths) == 0 && c.card.noPaths == "" {
		c.card.noPaths = "no path of the card is known"
	}
	return ctx.Err()
}

// learnRanges finds the ranges and the sense terminals of every channel.
func (c *check) learnRanges(t *trial) (string, error) {
	for i := range c.card.channels {
		ch := &c.card.channels[i]
		for _, k := range []struct {
			header string
			ranges *[]bench.Range
		}{
			{"SOUR%d:VOLT:RANG", &ch.ForceV}, {"SOUR%d:CURR:RANG", &ch.ForceI},
			{"SENS%d:VOLT:RANG", &ch.SenseV}, {"SENS%d:CURR:RANG", &ch.SenseI},
		} {
			found, err := t.rangesOf(fmt.Sprintf(k.header, ch.Number))
			if err != nil {
				c.card.noRanges = "the ranges could not be found out: " + t.describe(err)
				return "", err
			}
			*k.ranges = found
		}
		if err := t.tell(fmt.Sprintf("SOUR%d:VOLT:ALC:SOUR EXT", ch.Number)); err != nil {
			return "", err
		}
		ch.RemoteSense = t.errorsAre() == nil
	}
	if _, err := t.ask("*RST;*CLS;*OPC?"); err != nil {
		return "", err
	}
	return c.card.rangeWords(), nil
}

func (c *card) rangeWords() string {
	var b strings.Builder
	for _, ch := range c.channels {
		fmt.Fprintf(&b, "channel %d:", ch.Number)
		for _, k := range []struct {
			words  string
			ranges []bench.Range
		}{{"force V", ch.ForceV}, {"force A", ch.ForceI}, {"sense V", ch.SenseV}, {"sense A", ch.SenseI}} {
			fmt.Fprintf(&b, " %s", k.words)
			for _, r := range k.ranges {
				fmt.Fprintf(&b, " %s", number(r.FullScale))
			}
		}
		b.WriteString("; ")
	}
	return strings.TrimSuffix(b.String(), "; ")
}

// rangesOf goes through the ranges behind a header, from the smallest up.
func (t *trial) rangesOf(header string) ([]bench.Range, error) {
	const most = 24 // ranges of a kind are no more
	var found []bench.Range
	for x := 1e-15; len(found) < most; {
		if err := t.tell(header + " " + number(x)); err != nil {
			return nil, err
		}
		answer, err := t.ask("*ESR?;:" + header + "?;:SYST:ERR?")
		if err != nil {
			return nil, err
		}
		p := splitAnswer(answer)
		if len(p) != 3 {
			return nil, wrongf("%q to *ESR?;:%s?;:SYST:ERR?", answer, header)
		}
		if strings.HasPrefix(p[2], "-222,") && len(found) > 0 {
			return found, nil
		}
		full, err := readNumber(p[1])
		if err != nil || !strings.HasPrefix(p[2], "0,") || full < x {
			return nil, wrongf("%s %s: %s? → %s, %s", header, number(x), header, p[1], p[2])
		}
		found = append(found, bench.Range{FullScale: full})
		x = full * 1.0001
	}
	return nil, wrongf("%s has no end", header)
}

// mostTried is the number of channels whose paths are tried.
const mostTried = 8

// learnPaths tries which of a few paths the card knows. It switches none.
func (c *check) learnPaths(t *trial) (string, error) {
	c.card.paths = []Path{}
	tried := []Path{{Item: "0!1", Line: 0, Contact: 1}}
	for i, n := range c.card.numbers() {
		for contact := 1; contact <= 2 && i < mostTried; contact++ {
			tried = append(tried, Path{Item: fmt.Sprintf("%d!%d", n, contact), Line: n, Contact: contact})
		}
	}
	var known []string
	for _, p := range tried {
		lines, err := t.gather("ROUT:CLOS? "+list(p.Item), t.pause())
		if err != nil {
			return "", err
		}
		if slices.Equal(lines, []string{"0"}) {
			c.card.paths = append(c.card.paths, p)
			known = append(known, p.Item)
		}
	}
	if _, err := t.ask("*CLS;*OPC?"); err != nil {
		return "", err
	}
	if len(known) == 0 {
		return "", skip("the card knows none of them; name some")
	}
	return "the card knows " + strings.Join(known, ", "), nil
}
