package web

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"ohmkeep/server/cardinfo"
)

// TrafficRow is one event of the traffic with a card, as it is shown.
type TrafficRow struct {
	cardinfo.Event
	// Since is the time after the event before, negative for the first.
	Since time.Duration
	Means []Meaning
}

// Rows decodes events in their order.
func (d *Decoder) Rows(events []cardinfo.Event) []TrafficRow {
	out := make([]TrafficRow, 0, len(events))
	for i, e := range events {
		row := TrafficRow{Event: e, Since: -1, Means: d.Event(e)}
		if i > 0 {
			row.Since = e.At.Sub(events[i-1].At)
		}
		out = append(out, row)
	}
	return out
}

// shownBytes is the largest part of one event that is shown, in bytes.
const shownBytes = 1024

// piece is a run of text, or the name of one control character.
type piece struct {
	text    string
	control bool
}

// pieces splits bytes into text and named control characters.
func pieces(b []byte) []piece {
	var out []piece
	var plain strings.Builder
	end := func() {
		if plain.Len() > 0 {
			out = append(out, piece{text: plain.String()})
			plain.Reset()
		}
	}
	for _, c := range b[:min(len(b), shownBytes)] {
		if c >= ' ' && c < 0x7f {
			plain.WriteByte(c)
			continue
		}
		end()
		out = append(out, piece{controlName(c), true})
	}
	end()
	if more := len(b) - shownBytes; more > 0 {
		out = append(out, piece{fmt.Sprintf("and %d bytes more", more), true})
	}
	return out
}

// controlNames are the names of the control characters 0 to 31 (ISO/IEC 646).
var controlNames = strings.Fields("NUL SOH STX ETX EOT ENQ ACK BEL BS TAB LF VT FF CR SO SI DLE DC1 DC2 DC3 DC4 NAK SYN ETB CAN EM SUB ESC FS GS RS US")

func controlName(c byte) string {
	switch {
	case c < ' ':
		return controlNames[c]
	case c == 0x7f:
		return "DEL"
	}
	return fmt.Sprintf("0x%02X", c)
}

// Visible returns bytes as one line of text: control characters stand as <LF>.
func Visible(b []byte) string {
	var s strings.Builder
	for _, c := range b {
		if c >= ' ' && c < 0x7f {
			s.WriteByte(c)
		} else {
			s.WriteString("<" + controlName(c) + ">")
		}
	}
	return s.String()
}

func hexOf(b []byte) string { return fmt.Sprintf("% X", b[:min(len(b), shownBytes)]) }

// clockTime returns the time of day to the millisecond.
func clockTime(t time.Time) string { return t.Format("15:04:05.000") }

// sinceWords returns the time since the event before, in words.
func sinceWords(d time.Duration) string {
	switch {
	case d < 0:
		return ""
	case d < 100*time.Millisecond:
		return "+" + strconv.FormatFloat(float64(d)/1e6, 'f', 2, 64) + " ms"
	case d < 10*time.Second:
		return "+" + strconv.FormatFloat(float64(d)/1e6, 'f', 0, 64) + " ms"
	}
	return "+" + span(d)
}

func directionWord(d cardinfo.Direction) string {
	switch d {
	case cardinfo.Out:
		return "→ out"
	case cardinfo.In:
		return "← in"
	}
	return "note"
}

// TrafficText returns a conversation as plain text, one event a line.
func TrafficText(rows []TrafficRow) string {
	var s strings.Builder
	for _, r := range rows {
		fmt.Fprintf(&s, "%d\t%s\t%s\t%s\t%s\t", r.N, r.At.Format("2006-01-02T15:04:05.000000Z07:00"), sinceWords(r.Since), r.Connection, r.Dir)
		if r.Dir == cardinfo.Note {
			s.WriteString(strings.ReplaceAll(string(r.Bytes), "\n", " "))
		} else {
			s.WriteString(Visible(r.Bytes))
		}
		for _, m := range r.Means {
			s.WriteString("\t# " + strings.Map(oneLine, m.Text))
		}
		s.WriteString("\n")
	}
	return s.String()
}

func oneLine(r rune) rune {
	if r < ' ' {
		return ' '
	}
	return r
}
