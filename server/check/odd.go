package check

import (
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/quantity"
)

// judge says which channels are not as accurate as they are stated, from what
// each pair of them differs by, and keeps how each differs from all.
func (q *sequence) judge(all []*bench.Channel, seen []deviation) {
	odd := map[int][]deviation{} // by channel
	var untold []deviation
	for len(seen) > 0 {
		first := seen[0]
		var here, rest []deviation // one range, the others
		for _, d := range seen {
			if d.unit == first.unit && d.fullScale == first.fullScale {
				here = append(here, d)
			} else {
				rest = append(rest, d)
			}
		}
		seen = rest
		q.result.Channels = append(q.result.Channels, differences(all, here)...)
		switch k, some := theOdd(here); {
		case k >= 0:
			odd[k] = append(odd[k], farthest(here, k))
		case some:
			untold = append(untold, farthest(here, -1))
		}
	}
	for k := range all {
		if len(odd[k]) > 0 {
			q.found(oddChannel(all, k, odd[k]))
		}
	}
	if len(untold) > 0 && len(odd) == 0 {
		q.found(oddPair(all, untold))
	}
}

// beyond is by how much a pair differs more than both are stated to, as a part of
// that.
func (d *deviation) beyond() float64 {
	return max(math.Abs(d.gain)/d.most, math.Abs(d.off)/d.mostOffset) - 1
}

// theOdd is the channel without which all others agree in a range; of several,
// the one that differs most from the rest. -1 where none does alone, or where two
// channels disagree and there is no third; some says whether any pair disagrees.
func theOdd(pairs []deviation) (k int, some bool) {
	k = -1
	best := 0.0
	compared := channelsIn(pairs)
	for _, c := range compared {
		agree, total := true, 0.0
		for i := range pairs {
			d := &pairs[i]
			with := d.a == c || d.b == c
			if d.beyond() > 0 {
				some = true
				agree = agree && with
			}
			if with {
				total += d.beyond() + 1
			}
		}
		if agree && total > best {
			k, best = c, total
		}
	}
	if !some || len(compared) < 3 {
		return -1, some
	}
	return k, true
}

// channelsIn are the channels that were compared, by index, ascending: one whose card
// has not the range is in no pair.
func channelsIn(pairs []deviation) []int {
	var out []int
	for i := range pairs {
		out = append(out, pairs[i].a, pairs[i].b)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// farthest is the pair that differs most, of those with channel k; k < 0: of all.
func farthest(pairs []deviation, k int) deviation {
	best := deviation{most: 1, mostOffset: 1}
	for _, d := range pairs {
		if (k < 0 || d.a == k || d.b == k) && d.beyond() > best.beyond() {
			best = d
		}
	}
	return best
}

// differences is how each channel differs from the mean of all that were compared in
// one range.
func differences(all []*bench.Channel, pairs []deviation) []Difference {
	out := make([]Difference, len(all))
	for k, ch := range all {
		out[k] = Difference{Channel: ch.ID, Unit: string(pairs[0].unit), FullScale: pairs[0].fullScale}
	}
	n := float64(len(channelsIn(pairs)))
	add := func(k int, d *deviation, sign float64) {
		out[k].Gain += sign * d.gain / n
		if d.unit == quantity.Volt {
			out[k].Offset += sign * d.off / n
		} else {
			// One channel's current is the other's with its sign turned, so the
			// offsets of a pair add up.
			out[k].Offset += d.off / max(n-2, 2)
		}
		out[k].MostGain = max(out[k].MostGain, d.most)
		out[k].MostOff = max(out[k].MostOff, d.mostOffset)
	}
	for i := range pairs {
		add(pairs[i].a, &pairs[i], 1)
		add(pairs[i].b, &pairs[i], -1)
	}
	if pairs[0].unit == quantity.Ampere && n > 2 {
		sum := 0.0
		for i := range pairs {
			sum += pairs[i].off
		}
		for k := range out {
			out[k].Offset -= sum / ((n - 1) * (n - 2))
		}
	}
	return slices.DeleteFunc(out, func(d Difference) bool { return d.MostGain == 0 })
}

// oddChannel is the finding of one channel that all others contradict, by one pair
// of each range in which they do.
func oddChannel(all []*bench.Channel, k int, pairs []deviation) Finding {
	f := Finding{Kind: ChannelDisagrees, Fault: true, Channels: []bench.ChannelID{all[k].ID}, Do: doChannel}
	worst := farthest(pairs, k)
	f.Said = fmt.Sprintf("Channel %s is not as accurate as it is stated: it reads %s in %s, and the other channels agree with each other.",
		all[k].Name, apartBy(&worst, k), rangeCount(pairs))
	for i := range pairs {
		f.Evidence = append(f.Evidence, pairWords(all, &pairs[i]))
	}
	return f
}

// oddPair is the finding of channels that disagree without telling which is wrong.
func oddPair(all []*bench.Channel, pairs []deviation) Finding {
	f := Finding{Kind: ChannelDisagrees, Fault: true, Do: "Hold both against a third channel, a check load with a certificate or a reference meter, to tell which one it is."}
	var names []string
	for i := range pairs {
		for _, k := range []int{pairs[i].a, pairs[i].b} {
			if ch := all[k]; !slices.Contains(f.Channels, ch.ID) {
				f.Channels, names = append(f.Channels, ch.ID), append(names, ch.Name)
			}
		}
		f.Evidence = append(f.Evidence, pairWords(all, &pairs[i]))
	}
	f.Said = fmt.Sprintf("Channels %s disagree by more than both are stated to err; which of them is wrong cannot be told from them alone.", list(names))
	return f
}

// apartBy is by how much channel k reads more or less than the other of a pair.
func apartBy(d *deviation, k int) string {
	sign := 1.0
	if d.b == k {
		sign = -1
	}
	if math.Abs(d.gain)/d.most >= math.Abs(d.off)/d.mostOffset {
		return moreOrLess(sign*d.gain, fmt.Sprintf("%.2g %%", 100*math.Abs(d.gain)))
	}
	return moreOrLess(sign*d.off, quantity.Format(math.Abs(d.off), d.unit, 2))
}

func moreOrLess(x float64, words string) string {
	if x < 0 {
		return words + " too little"
	}
	return words + " too much"
}

func rangeCount(pairs []deviation) string {
	var words []string
	for i := range pairs {
		words = append(words, "±"+quantity.Format(pairs[i].fullScale, pairs[i].unit, 3))
	}
	if len(words) == 1 {
		return "its range " + words[0]
	}
	return fmt.Sprintf("its ranges %s", list(words))
}

func pairWords(all []*bench.Channel, d *deviation) string {
	return fmt.Sprintf("±%s: %s and %s differ by %.2g %% and %s; %.2g %% and %s is the most that both are stated to",
		quantity.Format(d.fullScale, d.unit, 3), all[d.a].Name, all[d.b].Name, 100*math.Abs(d.gain), quantity.Format(math.Abs(d.off), d.unit, 2),
		100*d.most, quantity.Format(d.mostOffset, d.unit, 2))
}
