package scpi

import (
	"cmp"
	"strconv"
)

// Item is one entry of a channel list: a number, or two of them joined by
// "!". Of "1!12" it is {1, 12}; of a plain "5" it is {5, -1}.
type Item struct{ A, B int }

// Plain is the item of one number.
func Plain(n int) Item { return Item{n, -1} }

// Compare orders items by their first and then their second number.
func (i Item) Compare(o Item) int { return cmp.Or(cmp.Compare(i.A, o.A), cmp.Compare(i.B, o.B)) }

func (i Item) String() string { return string(i.append(nil)) }

func (i Item) append(dst []byte) []byte {
	dst = strconv.AppendInt(dst, int64(i.A), 10)
	if i.B >= 0 {
		dst = strconv.AppendInt(append(dst, '!'), int64(i.B), 10)
	}
	return dst
}

// Limits of a channel list: more items are -223, a greater number is -222.
const (
	maxItems   = 1024
	maxChannel = 65535
)

// FormatChannelList writes a channel list, item by item: "(@1!12,0!7)".
func FormatChannelList(items []Item) string { return string(AppendChannelList(nil, items)) }

// AppendChannelList is FormatChannelList to the end of dst.
func AppendChannelList(dst []byte, items []Item) []byte {
	dst = append(dst, "(@"...)
	for i, item := range items {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = item.append(dst)
	}
	return append(dst, ')')
}

// ParseChannelList reads "(@1,3:5)" or "(@1!1:2!3)" and appends its items to
// dst, ranges spelled out in the order asked: a range over two dimensions
// goes through the second for each of the first. SCPI-1999 volume 1, 8.3.2.
// "(@)" is the empty list. The error is a Code: -171, -222 or -223.
func ParseChannelList(dst []Item, text string) ([]Item, error) {
	text = trim(text)
	if len(text) < 3 || text[0] != '(' || text[len(text)-1] != ')' {
		return dst, InvalidExpression
	}
	s := trim(text[1 : len(text)-1])
	if s == "" || s[0] != '@' {
		return dst, InvalidExpression
	}
	s = trim(s[1:])
	if s == "" {
		return dst, nil
	}
	most := len(dst) + maxItems
	for {
		first, rest, err := scanItem(s)
		if err != nil {
			return dst, err
		}
		last := first
		if rest != "" && rest[0] == ':' {
			if last, rest, err = scanItem(rest[1:]); err != nil {
				return dst, err
			}
		}
		if dst, err = appendRange(dst, first, last, most); err != nil {
			return dst, err
		}
		switch {
		case rest == "":
			return dst, nil
		case rest[0] != ',':
			return dst, InvalidExpression
		}
		s = rest[1:]
	}
}

// scanItem reads one item and the white space after it.
func scanItem(s string) (Item, string, error) {
	a, s, err := scanChannel(s)
	if err != nil || s == "" || s[0] != '!' {
		return Plain(a), s, err
	}
	b, s, err := scanChannel(s[1:])
	return Item{a, b}, s, err
}

func scanChannel(s string) (int, string, error) {
	from := skip(s, 0)
	i, n := from, 0
	for ; i < len(s) && isDigit(s[i]); i++ {
		n = min(n*10+int(s[i]-'0'), maxChannel+1)
	}
	switch {
	case i == from:
		return 0, s, InvalidExpression
	case n > maxChannel:
		return 0, s, DataOutOfRange
	}
	return n, s[skip(s, i):], nil
}

// appendRange spells out a range, upwards or downwards in each dimension.
func appendRange(dst []Item, first, last Item, most int) ([]Item, error) {
	if (first.B < 0) != (last.B < 0) {
		return dst, InvalidExpression
	}
	stepA, stepB := step(first.A, last.A), step(first.B, last.B)
	for a := first.A; ; a += stepA {
		for b := first.B; ; b += stepB {
			if len(dst) >= most {
				return dst, TooMuchData
			}
			dst = append(dst, Item{a, b})
			if b == last.B {
				break
			}
		}
		if a == last.A {
			return dst, nil
		}
	}
}

func step(from, to int) int {
	if from > to {
		return -1
	}
	return 1
}
