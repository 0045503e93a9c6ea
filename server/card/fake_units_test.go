package card

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// unit carries out one unit. f.mu is held. A reading asks to be asked again
// after its aperture.
func (f *fakeCard) unit(unit string) (answer string, wait time.Duration, err *fakeError) {
	words := strings.Fields(unit)
	head, arg := words[0], strings.Join(words[1:], " ")
	switch head {
	case "*IDN?":
		return "Maker," + f.model + "," + f.serial + ",1.0", 0, nil
	case "*ESE":
		f.ese, _ = strconv.Atoi(arg)
		return "", 0, nil
	case "*ESE?":
		return strconv.Itoa(f.ese), 0, nil
	case "*ESR?":
		defer func() { f.esr = 0 }()
		return strconv.Itoa(f.esr), 0, nil
	case "*CLS":
		f.esr, f.queue = 0, nil
		return "", 0, nil
	case "*RST":
		f.reset()
		return "", 0, nil
	case "ABOR":
		return "", 0, nil
	case "SYST:ERR?":
		if len(f.queue) == 0 {
			return `0,"No error"`, 0, nil
		}
		first := f.queue[0]
		f.queue = f.queue[1:]
		return first, 0, nil
	case "ROUT:CLOS:STAT?":
		slices.Sort(f.closed)
		return "(@" + strings.Join(f.closed, ",") + ")", 0, nil
	case "ROUT:CLOS", "ROUT:OPEN":
		for item := range strings.SplitSeq(strings.Trim(arg, "(@)"), ",") {
			f.closed = slices.DeleteFunc(f.closed, func(c string) bool { return c == item })
			if head == "ROUT:CLOS" {
				f.closed = append(f.closed, item)
			}
		}
		return "", 0, nil
	case "READ?":
		return f.read(arg)
	}
	return f.channelUnit(head, arg)
}

func (f *fakeCard) read(arg string) (answer string, wait time.Duration, err *fakeError) {
	arg, now := strings.CutSuffix(arg, " now")
	var values []string
	for item := range strings.SplitSeq(strings.Trim(arg, "(@)"), ",") {
		n, e := strconv.Atoi(item)
		if e != nil || n < 1 || n > len(f.outs) {
			return "", 0, &fakeError{-222, "Data out of range"}
		}
		o := &f.outs[n-1]
		wait = max(wait, time.Duration(o.aperture*1e9))
		v, i, status := 0.0, 0.0, 0
		if o.on {
			status = 4
			if v, i = o.level, o.level/1000; o.mode == "CURR" {
				v, i = o.level*1000, o.level
			}
		}
		if len(f.queue) > 0 {
			status |= 8
		}
		values = append(values, fmt.Sprintf("%E,%E,%d,%s", v, i, status, strconv.FormatFloat(o.level, 'E', -1, 64)))
	}
	if now {
		wait = 0
	}
	return strings.Join(values, ","), wait, nil
}

// channelUnit is a unit with a channel's number in its first word.
func (f *fakeCard) channelUnit(head, arg string) (answer string, wait time.Duration, err *fakeError) {
	var n int
	root := strings.TrimRight(strings.SplitN(strings.TrimSuffix(head, "?"), ":", 2)[0], "0123456789")
	if _, e := fmt.Sscanf(head[len(root):], "%d", &n); e != nil || n < 1 || n > len(f.outs) {
		return "", 0, &fakeError{-113, "Undefined header"}
	}
	o := &f.outs[n-1]
	x, _ := strconv.ParseFloat(arg, 64)
	rest := strings.TrimPrefix(head, root+strconv.Itoa(n))
	switch root + rest {
	case "OUTP?":
		return map[bool]string{true: "1", false: "0"}[o.on], 0, nil
	case "OUTP":
		if arg == "ON" && o.limit == 0 {
			return "", 0, &fakeError{-221, "Settings conflict"}
		}
		o.on = arg == "ON"
	case "SOUR:FUNC:MODE":
		o.mode = arg
	case "SOUR:VOLT", "SOUR:CURR":
		if max(x, -x) > o.force {
			return "", 0, &fakeError{-222, "Data out of range"}
		}
		o.level = x
	case "SOUR:VOLT:RANG", "SOUR:CURR:RANG":
		o.force = x
	case "SENS:VOLT:RANG", "SENS:CURR:RANG":
		o.sense = x
	case "SENS:VOLT:PROT", "SENS:CURR:PROT":
		o.limit = x
	case "SENS:CURR:APER":
		o.aperture = x
	case "SOUR:VOLT:ALC:SOUR":
		o.remote = arg == "EXT"
	default:
		return "", 0, &fakeError{-113, "Undefined header"}
	}
	return "", 0, nil
}

// Deviations of the fake card.
func silent(*fakeCard, string) (string, bool) { return "", true }

func says(out string) func(*fakeCard, string) (string, bool) {
	return func(*fakeCard, string) (string, bool) { return out, true }
}

// late answers as it should, after a time.
func late(d time.Duration) func(*fakeCard, string) (string, bool) {
	return func(*fakeCard, string) (string, bool) {
		<-time.After(d)
		return "", false
	}
}

// first does something, and then what it should.
func first(do func(f *fakeCard)) func(*fakeCard, string) (string, bool) {
	return func(f *fakeCard, _ string) (string, bool) {
		do(f)
		return "", false
	}
}
