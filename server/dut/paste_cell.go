package dut

import (
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/quantity"
)

// functionWords are what a function column says, in upper case without spaces,
// points, hyphens and underscores.
var functionWords = map[Function][]string{
	Supply:        {"P", "PWR", "POWER", "S", "SUPPLY", "VCC", "VDD", "V+", "POWERSUPPLY", "SUPPLYVOLTAGE", "POWERINPUT", "PWRIN", "SUPPLYPIN", "POWERPIN", "DIGITALSUPPLY", "ANALOGSUPPLY", "POSITIVESUPPLY", "NEGATIVESUPPLY", "ANALOGPOWER", "DIGITALPOWER", "COREPOWER", "CORESUPPLY", "IOPOWER", "I/OPOWER", "IOSUPPLY", "I/OSUPPLY", "INPUTSUPPLY"},
	Ground:        {"G", "GND", "GROUND", "VSS", "0V", "COMMON", "RETURN", "GRND", "SUPPLYGROUND", "POWERGROUND", "ANALOGGROUND", "DIGITALGROUND", "GROUNDPIN"},
	Input:         {"I", "IN", "INPUT", "DI", "DIN", "DIGITALINPUT", "LOGICINPUT", "CLK", "CLOCK", "CLOCKINPUT", "CONTROLINPUT", "IPU", "IPD", "DIGITALI", "SCHMITTINPUT"},
	Output:        {"O", "OUT", "OUTPUT", "DO", "DIGITALO", "DIGITALOUTPUT", "LOGICOUTPUT", "PUSHPULL", "TRISTATE", "3STATE", "O/Z", "OZ", "TRISTATEOUTPUT", "3STATEOUTPUT", "THREESTATEOUTPUT"},
	Bidirectional: {"I/O", "IO", "B", "BI", "BIDI", "BIDIR", "BIDIRECTIONAL", "IN/OUT", "INOUT", "INPUT/OUTPUT", "DIO", "D/IO", "DIGITALI/O", "DIGITALIO", "I/O/Z", "GPIO"},
	Analog:        {"A", "AN", "ANA", "ANALOG", "ANALOGUE", "AI", "AO", "AIO", "A/I", "A/O", "AI/O", "ANALOGI/O", "ANALOGIO", "ANALOGINPUT", "ANALOGOUTPUT", "ANALOGI", "ANALOGO", "ANALOGUEINPUT", "ANALOGUEOUTPUT", "PASSIVE", "PAS"},
	NoConnect:     {"NC", "N/C", "NOCONNECT", "NOCONNECTION", "NOTCONNECTED", "DNC", "DONOTCONNECT", "DNU", "NU", "UNUSED", "NOTUSED", "RESERVED", "RSVD", "RSV", "OPEN"},
}

const openNote = "an open-drain or open-collector output drives only low: it needs a pull-up to be measured high"

var openOutputs = []string{"OD", "O/D", "OPENDRAIN", "OPENDRAINOUTPUT", "OUTPUTOPENDRAIN", "OC", "O/C", "OPENCOLLECTOR", "OPENCOLLECTOROUTPUT"}

var functionOf = func() map[string]Function {
	m := map[string]Function{}
	for f, words := range functionWords {
		for _, w := range words {
			m[w] = f
		}
	}
	return m
}()

var squash = strings.NewReplacer(" ", "", ".", "", "-", "", "_", "", "\n", "", "–", "")

// readFunction reads a cell of a function column. The note says what the function
// does not carry. "" means that it was not understood.
func readFunction(cell string) (f Function, note string) {
	s := squash.Replace(strings.ToUpper(footnote.ReplaceAllString(cell, "")))
	if slices.Contains(openOutputs, s) {
		return Output, openNote
	}
	if f, ok := functionOf[s]; ok {
		return f, ""
	}
	if i := strings.IndexAny(s, ",;("); i > 0 {
		f, ok := functionOf[s[:i]]
		if slices.Contains(openOutputs, strings.Trim(s[i:], ",;()")) {
			if f != Bidirectional {
				f = Output
			}
			return f, openNote
		}
		if ok {
			return f, "only the first word of " + quoted(cell) + " is used"
		}
	}
	return "", ""
}

// proseWords find a function in a sentence; each class counts once.
var proseWords = []struct {
	f    Function
	word *regexp.Regexp
}{
	{Ground, regexp.MustCompile(`(?i)\bground\b`)},
	{Supply, regexp.MustCompile(`(?i)\b(supply|power input)\b`)},
	{NoConnect, regexp.MustCompile(`(?i)\b(no connect\w*|not connected|do not connect|no internal connection)\b`)},
	{Input, regexp.MustCompile(`(?i)\binputs?\b`)},
	{Output, regexp.MustCompile(`(?i)\boutputs?\b`)},
}

// guessFunction looks for the one function that a sentence speaks of; with two,
// or with an "output enable", it gives none.
func guessFunction(sentence string) Function {
	found := Function("")
	if strings.Contains(strings.ToLower(sentence), "enable") {
		return ""
	}
	for _, p := range proseWords {
		if p.word.MatchString(sentence) {
			if found != "" {
				return ""
			}
			found = p.f
		}
	}
	return found
}

var (
	supplyName = regexp.MustCompile(`^([ADPC]?V(CC|DD)([A-Z0-9_]{0,8})|V\+|V-|VEE|VBAT|[+-]?\d+(V\d*|\.\d+V))$`)
	groundName = regexp.MustCompile(`^([ADPSQ]?GND[A-Z0-9_]{0,6}|[ADP]?VSS[A-Z0-9_]{0,6}|GROUND|0V)$`)
	noName     = regexp.MustCompile(`^(N[./]?C\.?\d*|NO[ -]?CONNECT(ION)?|DNC\d*|DNU\d*)$`)
)

// nameFunction is the function that a name implies, or "".
func nameFunction(name string) Function {
	s := strings.ToUpper(strings.TrimSpace(name))
	switch {
	case groundName.MatchString(s):
		return Ground
	case supplyName.MatchString(s):
		return Supply
	case noName.MatchString(s):
		return NoConnect
	}
	return ""
}

// negativeSupply tells supplies whose name says that they lie below ground.
func negativeSupply(name string) bool {
	s := strings.ToUpper(name)
	return s == "V-" || strings.HasPrefix(s, "VEE") || strings.HasPrefix(s, "-")
}

var (
	// footnote marks: "3(1)", "3*", "3¹".
	footnote   = regexp.MustCompile(`(\s*\(\d\)|[*†‡¹²³])+$`)
	pinPrefix  = regexp.MustCompile(`(?i)^\s*(pins?|no\.?|nr\.?|#)\s*`)
	numberPart = regexp.MustCompile(`^(\d{1,6})(?:[.,]0+)?$`)
	numberSpan = regexp.MustCompile(`^(\d{1,6})\s*(?:-|–|—|\.\.\.?|…|:|to|~)\s*(\d{1,6})$`)
	listMark   = regexp.MustCompile(`\s*(?:[,;&+\n]|\band\b|\s)\s*`)
	dateLike   = regexp.MustCompile(`(?i)^(\d{1,2}[-. /]?(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*|(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*[-. /]?\d{1,2}|\d{1,4}[./-]\d{1,2}[./-]\d{1,4})$`)
	padLike    = regexp.MustCompile(`(?i)^(ep|epad|e-?pad|tab|die pad|thermal( pad)?|exposed( pad)?|exposed thermal pad|pad|dap|paddle)$`)
	spanSpaces = regexp.MustCompile(`(\d)\s+(-|–|—|to|~|\.\.\.?|…)\s+(\d)`)
)

// readNumbers reads a pin-number cell: "3", "3.0", "pin 3", "3, 5, 9", "1-4".
// why says what is wrong, and what to write.
func readNumbers(cell string) (numbers []int, why string) {
	s := strings.TrimSpace(pinPrefix.ReplaceAllString(cell, ""))
	if !numberPart.MatchString(s) {
		s = strings.TrimSpace(footnote.ReplaceAllString(s, ""))
	}
	s = strings.TrimRight(s, ".)")
	if dateLike.MatchString(s) {
		return nil, quoted(cell) + " looks like a date, which a spreadsheet makes of a range such as 1-4: format the column as text and write the range again"
	}
	if numberPart.MatchString(s) {
		return appendNumbers(nil, s)
	}
	for _, part := range listMark.Split(spanSpaces.ReplaceAllString(s, "$1$2$3"), -1) {
		if part == "" {
			continue
		}
		if numbers, why = appendNumbers(numbers, part); why != "" {
			return nil, why
		}
	}
	if len(numbers) == 0 {
		return nil, quoted(cell) + " is not a pin number: write a whole number from 1 to " + itoa(MaxPins)
	}
	if len(numbers) > MaxPins {
		return nil, quoted(cell) + " names more pins than a device can have (" + itoa(MaxPins) + ")"
	}
	return numbers, ""
}

func appendNumbers(numbers []int, part string) ([]int, string) {
	if m := numberPart.FindStringSubmatch(part); m != nil {
		n, _ := strconv.Atoi(m[1])
		return append(numbers, n), ""
	}
	m := numberSpan.FindStringSubmatch(part)
	if m == nil {
		return nil, quoted(part) + " is not a pin number: write a whole number from 1 to " + itoa(MaxPins)
	}
	a, _ := strconv.Atoi(m[1])
	b, _ := strconv.Atoi(m[2])
	if max(a-b, b-a) >= MaxPins {
		return nil, quoted(part) + " names more pins than a device can have (" + itoa(MaxPins) + ")"
	}
	step := 1
	if b < a {
		step = -1
	}
	for n := a; n != b+step; n += step {
		numbers = append(numbers, n)
	}
	return numbers, ""
}

var nameSpan = regexp.MustCompile(`^(.*?)([\[<(]?)(\d{1,4})\s*(?:-|–|—|\.\.\.?|…|:|to|~)\s*(.*?)(\d{1,4})([\]>)]?)(.*)$`)

// expandNames gives n names for one cell: a range such as "D0-D7" or "D[7..0]"
// or a list of just that many. ok is false where the cell is no such thing.
func expandNames(cell string, n int) (names []string, ok bool) {
	if m := nameSpan.FindStringSubmatch(strings.ReplaceAll(cell, " ", "")); m != nil && (m[4] == "" || m[4] == m[1]) {
		a, _ := strconv.Atoi(m[3])
		b, _ := strconv.Atoi(m[5])
		if max(a-b, b-a)+1 == n {
			step := 1
			if b < a {
				step = -1
			}
			for v := a; v != b+step; v += step {
				names = append(names, m[1]+itoa(v)+m[7])
			}
			return names, true
		}
	}
	for _, s := range regexp.MustCompile(`[,;\n]`).Split(cell, -1) {
		if s = strings.TrimSpace(s); s != "" {
			names = append(names, s)
		}
	}
	if len(names) == 1 {
		names = strings.FieldsFunc(cell, func(r rune) bool { return r == ' ' || r == '/' })
	}
	return names, len(names) == n && n > 1
}

// rating is what a rating cell says. Values are in volts and amperes.
type rating struct {
	min, max, maxI       float64
	hasMin, hasMax, hasI bool
	base                 string  // name of the supply that the maximum is relative to
	above                float64 // above base
	none                 bool    // the cell says that there is none
	assumed              bool    // no unit anywhere: the base unit was taken
	why                  string  // what was not understood
}

var (
	noRating   = regexp.MustCompile(`(?i)^(|-+|–|—|n/?a|none|n\.a\.|\?)$`)
	ratingSpan = regexp.MustCompile(`(?i)^(.+?)(?:\s+to\s+|\s*\.\.\.?\s*|\s*…\s*|\s*~\s*|\s*[–—]\s*)(.+)$`)
	hyphenSpan = regexp.MustCompile(`^([-+]?[\d.,].*?)\s+-\s+(.+)$`) // "VCC - 0.3" is no range
	relativeTo = regexp.MustCompile(`^([A-Za-z][A-Za-z_]*\d{0,2})\s*(?:([+-])\s*(\d.*))?$`)
	dashMinus  = regexp.MustCompile(`^[–—]\s?([\d.,])`) // a dash set for a minus
	maxWord    = regexp.MustCompile(`(?i)(^\s*(max\.?|≤|<=|<)\s*|\s*\(?max\.?\)?\s*$)`)
)

// readRating reads "7", "7 V", "-0.3 to 7 V", "VDD+0.3 V", "±5 V", "20 mA" and
// "7 V / 20 mA". unit is the heading's, for numbers that have none.
func readRating(cell, unit string) rating {
	s := strings.TrimSpace(maxWord.ReplaceAllString(strings.TrimSpace(cell), ""))
	if noRating.MatchString(s) {
		return rating{none: true}
	}
	s = dashMinus.ReplaceAllString(s, "-$1")
	if parts := strings.Split(s, "/"); len(parts) == 2 {
		a, b := readRating(parts[0], unit), readRating(parts[1], unit)
		if a.why == "" && b.why == "" && a.hasMax && !a.hasI && b.hasI {
			a.maxI, a.hasI = b.maxI, true
			return a
		}
	}
	if rest, ok := strings.CutPrefix(s, "±"); ok {
		r := readRating(rest, unit)
		if r.hasMax {
			r.min, r.hasMin = -r.max, true
		}
		return r
	}
	for _, span := range []*regexp.Regexp{ratingSpan, hyphenSpan} {
		if m := span.FindStringSubmatch(s); m != nil {
			return readSpanRating(m[1], m[2], unit)
		}
	}
	if m := relativeTo.FindStringSubmatch(s); m != nil {
		return readRelative(m, unit)
	}
	return readValue(s, unit)
}

// readSpanRating reads the two ends of a range. The lower one takes the unit of
// the upper one where it has none itself.
func readSpanRating(low, high, unit string) rating {
	r := readRating(high, unit)
	if r.why != "" || r.none {
		return rating{why: "the upper end is not understood: write the range as -0.3 V to 7 V"}
	}
	if i := strings.IndexFunc(high, func(c rune) bool { return strings.ContainsRune("VAmuµn", c) }); i >= 0 && r.base == "" {
		unit = strings.TrimSpace(high[i:])
	} else if r.base != "" && unit == "" {
		unit = "V"
	}
	l := readRating(low, unit)
	switch {
	case l.why != "" || l.none:
		return rating{why: "the lower end is not understood: write the range as -0.3 V to 7 V"}
	case l.base != "" && nameFunction(l.base) == Ground:
		r.min, r.hasMin = l.above, true
	case r.hasI:
		r.maxI = math.Max(math.Abs(l.maxI), r.maxI)
	case l.hasMax && (r.hasMax || r.base != ""):
		r.min, r.hasMin = l.max, true
	default:
		return rating{why: "the two ends do not belong together: write the range as -0.3 V to 7 V"}
	}
	if r.hasMin && r.hasMax && r.min > r.max {
		return rating{why: "the lower end lies above the upper end"}
	}
	return r
}

// readRelative reads "VDD", "VCC + 0.3 V" and "VSS - 0.3".
func readRelative(m []string, unit string) rating {
	if nameFunction(m[1]) == "" && m[2] == "" {
		return rating{why: "is not understood: write a voltage such as 5.5 V"}
	}
	r := rating{base: m[1]}
	if m[2] == "" {
		return r
	}
	v := readValue(m[3], orVolt(unit))
	if v.why != "" || !v.hasMax {
		return rating{why: "the part after the supply's name is not a voltage: write VDD + 0.3 V"}
	}
	r.above = v.max
	if m[2] == "-" {
		r.above = -v.max
	}
	return r
}

func orVolt(unit string) string {
	if unit == "" {
		return "V"
	}
	return unit
}

// readValue reads one voltage or current; a bare number takes the heading's unit,
// or is a voltage where there is none.
func readValue(s, unit string) rating {
	var r rating
	if s == "" {
		return rating{why: "is empty"}
	}
	if c := s[len(s)-1]; c >= '0' && c <= '9' || c == '.' || c == ',' {
		r.assumed = unit == "" && strings.Trim(s, "+-0123456789.,eE ") == ""
		s += " " + unit
	}
	v, err := quantity.Parse(s, quantity.Volt)
	if err == nil {
		r.max, r.hasMax = v, true
		return r
	}
	i, errI := quantity.Parse(s, quantity.Ampere)
	if errI == nil {
		r.maxI, r.hasI = math.Abs(i), true
		return r
	}
	if strings.HasSuffix(strings.TrimSpace(s), "A") {
		err = errI
	}
	return rating{why: err.Error()}
}
