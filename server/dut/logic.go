package dut

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// levelsCSV holds the logic levels, one family a row. The column "standard"
// names where they are published and "status" how far they were checked; the
// documents themselves were not at hand, so both go to the screen.
//
//go:embed levels.csv
var levelsCSV string

// Span is a range of voltages, both ends included. The zero Span is "not stated".
type Span struct {
	Min float64 `json:"min"`
	Max float64 `json:"max"`
}

// Stated reports whether the range is given.
func (s Span) Stated() bool { return s != Span{} }

// Holds reports whether v lies in the range; a part in 10⁹ of slack lets 3.3 V
// less 10 % be 2.97 V however it was computed.
func (s Span) Holds(v float64) bool {
	slack := 1e-9 * max(s.Max, 1)
	return v >= s.Min-slack && v <= s.Max+slack
}

// Level is a voltage that may depend on the supply: Volts + PerSupply·VDD.
type Level struct {
	Volts     float64 `json:"volts"`
	PerSupply float64 `json:"perSupply,omitempty"`
}

// At is the level in volts at the given supply voltage.
func (l Level) At(supply float64) float64 { return l.Volts + l.PerSupply*supply }

// LogicFamily is a set of logic levels as published.
type LogicFamily struct {
	Key      string  `json:"key"`
	Name     string  `json:"name"`
	Standard string  `json:"standard"`
	Status   string  `json:"status"`  // what was checked, and what is from memory
	Nominal  float64 `json:"nominal"` // supply, volts
	Supply   Span    `json:"supply"`  // volts; zero where none is stated
	Extended Span    `json:"extended"`
	// StatedAt is the one supply voltage at which the standard's figures were
	// copied, where it tabulates several; 0 where they hold over the range.
	StatedAt float64 `json:"statedAt,omitempty"`
	VIL      Level   `json:"vil"` // highest input voltage that is a low
	VIH      Level   `json:"vih"` // lowest input voltage that is a high
	// Outputs tells whether VOL, VOH and the currents they hold at are given.
	Outputs bool    `json:"outputs"`
	VOL     Level   `json:"vol"`
	VOH     Level   `json:"voh"`
	IOL     float64 `json:"iol,omitempty"` // amperes into the output
	IOH     float64 `json:"ioh,omitempty"` // amperes into the output: negative
}

// Checked reports whether every figure of the family was compared with something
// public; otherwise some or all are from memory.
func (f LogicFamily) Checked() bool { return !strings.Contains(f.Status, "from memory") }

// Source is where the figures come from, for the screen.
func (f LogicFamily) Source() string { return f.Standard + ", " + f.Name + "; " + f.Status }

// Levels are the levels of a family at one supply voltage, in volts and amperes.
type Levels struct {
	Family  string   `json:"family"` // key
	Supply  float64  `json:"supply"`
	VIL     float64  `json:"vil"`
	VIH     float64  `json:"vih"`
	Outputs bool     `json:"outputs"` // VOL, VOH, IOL and IOH are given
	VOL     float64  `json:"vol,omitempty"`
	VOH     float64  `json:"voh,omitempty"`
	IOL     float64  `json:"iol,omitempty"`
	IOH     float64  `json:"ioh,omitempty"`
	Source  string   `json:"source"`
	Notes   []string `json:"notes,omitempty"` // reservations, in words
}

var logicFamilies = mustReadLevels(levelsCSV)

// LogicFamilies lists every known family in the order that screens show them.
func LogicFamilies() []LogicFamily { return slices.Clone(logicFamilies) }

// LogicFamilyOf returns the family with that key.
func LogicFamilyOf(key string) (LogicFamily, bool) {
	for _, f := range logicFamilies {
		if f.Key == key {
			return f, true
		}
	}
	return LogicFamily{}, false
}

// LogicLevels returns the levels of a family at a supply voltage in volts. It
// fails for an unknown key and for a supply the family does not reach.
func LogicLevels(key string, supply float64) (Levels, error) {
	f, ok := LogicFamilyOf(key)
	if !ok {
		return Levels{}, fmt.Errorf("%q is not a logic family: use one of %s", clip(key, 40), strings.Join(logicKeys(), ", "))
	}
	l := Levels{Family: key, Supply: supply, Outputs: f.Outputs, Source: f.Source()}
	switch {
	case !(supply > 0 && supply <= ratingLimitV):
		return Levels{}, fmt.Errorf("logic family %s: a supply of %s is no supply", key, volts(supply))
	case !f.Supply.Stated():
		l.Notes = append(l.Notes, "no supply range is stated for this family")
	case f.Supply.Holds(supply):
	case f.Extended.Stated() && f.Extended.Holds(supply):
		l.Notes = append(l.Notes, "the supply is in the extended range only")
	default:
		return Levels{}, fmt.Errorf("logic family %s is stated for supplies of %s to %s, not %s: choose another family or correct the supply",
			key, volts(f.Supply.Min), volts(f.Supply.Max), volts(supply))
	}
	l.VIL, l.VIH = f.VIL.At(supply), f.VIH.At(supply)
	if f.Outputs {
		l.VOL, l.VOH, l.IOL, l.IOH = f.VOL.At(supply), f.VOH.At(supply), f.IOL, f.IOH
	}
	if at := f.StatedAt; at > 0 && supply != at {
		if supply < at {
			return Levels{}, fmt.Errorf("logic family %s: the figures here are for %s and above, not %s", key, volts(at), volts(supply))
		}
		// From 4.5 V up the standard's inputs keep their share of the supply
		// and its outputs their distance from it.
		l.VIL, l.VIH, l.VOH = l.VIL*supply/at, l.VIH*supply/at, l.VOH+supply-at
		l.Notes = append(l.Notes, fmt.Sprintf("carried over from the figures at %s: inputs in proportion to the supply, high output at the same distance from it", volts(at)))
	}
	return l, nil
}

func logicKeys() []string {
	keys := make([]string, len(logicFamilies))
	for i, f := range logicFamilies {
		keys[i] = f.Key
	}
	return keys
}

// mustReadLevels reads the embedded file; a fault in it stops every test.
func mustReadLevels(text string) []LogicFamily {
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		panic("logic levels: " + err.Error())
	}
	column := map[string]int{}
	for i, name := range rows[0] {
		column[name] = i
	}
	out := make([]LogicFamily, 0, len(rows)-1)
	for _, row := range rows[1:] {
		out = append(out, readFamily(func(name string) string { return row[column[name]] }))
	}
	return out
}

var (
	spanPattern     = regexp.MustCompile(`^([0-9.]+)-([0-9.]+)`)
	extendedPattern = regexp.MustCompile(`extended ([0-9.]+)-([0-9.]+)`)
	statedPattern   = regexp.MustCompile(`at VCC ([0-9.]+) V`)
)

func readFamily(cell func(string) string) LogicFamily {
	f := LogicFamily{Key: cell("key"), Name: cell("family"), Standard: cell("standard"), Status: cell("status"),
		Nominal: mustFloat(cell("vdd_nominal_V")), VIL: mustLevel(cell("VIL_max")), VIH: mustLevel(cell("VIH_min"))}
	f.Supply = readSpan(spanPattern, cell("vdd_range_V"))
	f.Extended = readSpan(extendedPattern, cell("vdd_range_V"))
	if m := statedPattern.FindStringSubmatch(f.Standard); m != nil {
		f.StatedAt = mustFloat(m[1])
	}
	if cell("VOL_max") != "" {
		f.Outputs, f.VOL, f.VOH = true, mustLevel(cell("VOL_max")), mustLevel(cell("VOH_min"))
		f.IOL, f.IOH = mustFloat(cell("IOL_test_A")), mustFloat(cell("IOH_test_A"))
	}
	return f
}

func readSpan(pattern *regexp.Regexp, s string) Span {
	m := pattern.FindStringSubmatch(s)
	if m == nil {
		return Span{}
	}
	return Span{mustFloat(m[1]), mustFloat(m[2])}
}

// mustLevel reads "0.8", "0.3*VDD" and "VDD-0.2".
func mustLevel(s string) Level {
	if share, ok := strings.CutSuffix(s, "*VDD"); ok {
		return Level{PerSupply: mustFloat(share)}
	}
	if below, ok := strings.CutPrefix(s, "VDD"); ok {
		return Level{Volts: mustFloat(below), PerSupply: 1}
	}
	return Level{Volts: mustFloat(s)}
}

func mustFloat(s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		panic("logic levels: " + err.Error())
	}
	return v
}
