package conformance

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// want is a condition on an answer.
type want struct {
	words string
	ok    func(t *trial, answer string) error
}

// is wants exactly this text.
func is(text string) want {
	return want{text, func(t *trial, answer string) error {
		text, err := t.values.fill(text)
		if err != nil {
			return err
		}
		if answer != text {
			return fmt.Errorf("not %s", text)
		}
		return nil
	}}
}

// oneOf wants one of some texts.
func oneOf(texts ...string) want {
	return want{strings.Join(texts, " or "), func(_ *trial, answer string) error {
		for _, text := range texts {
			if answer == text {
				return nil
			}
		}
		return errors.New("something else")
	}}
}

// matches wants a form.
func matches(words, form string) want {
	re := regexp.MustCompile(form)
	return want{words, func(_ *trial, answer string) error {
		if !re.MatchString(answer) {
			return fmt.Errorf("not %s", words)
		}
		return nil
	}}
}

// numberForm is NR1, NR2 or NR3 of IEEE 488.2 (from memory).
var numberForm = regexp.MustCompile(`^[+-]?(\d+(\.\d*)?|\.\d+)(E[+-]?\d{1,3})?$`)

// readNumber reads a number as a card must write it.
func readNumber(text string) (float64, error) {
	if !numberForm.MatchString(text) {
		return 0, fmt.Errorf("%q is no number of the form NR1, NR2 or NR3", text)
	}
	return strconv.ParseFloat(text, 64)
}

// near wants a number within a part of what is named, or of its unit.
func near(text string, part float64) want {
	return within(fmt.Sprintf("%s within %g of it", text, part), text, func(_ *trial, x float64) float64 { return part * math.Abs(x) })
}

// exact wants a number as it was sent, as far as one part in a million.
func exact(text string) want {
	return within(text, text, func(_ *trial, x float64) float64 { return 1e-6 * math.Abs(x) })
}

// level wants what is set, in the force range that a value names: within one
// part in a million and half a step.
func level(text, of string) want {
	return within(text+" within 1 part in a million and half a step", text, func(t *trial, x float64) float64 {
		return t.echoes(x, of)
	})
}

// within wants a number that differs from another by at most so much.
func within(words, text string, by func(t *trial, x float64) float64) want {
	return want{words, func(t *trial, answer string) error {
		text, err := t.values.fill(text)
		if err != nil {
			return err
		}
		wanted, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return err
		}
		got, err := readNumber(answer)
		if err != nil {
			return err
		}
		if most := by(t, wanted); !(math.Abs(got-wanted) <= most) {
			return fmt.Errorf("%g away from %s, at most %g is right", math.Abs(got-wanted), text, most)
		}
		return nil
	}}
}

// integer wants NR1 in a range.
func integer(least, most int) want {
	return want{fmt.Sprintf("an integer, %d to %d", least, most), func(_ *trial, answer string) error {
		n, err := strconv.Atoi(answer)
		if err != nil || n < least || n > most {
			return errors.New("not that")
		}
		return nil
	}}
}

// bits wants a register in which some bits are set and others are not.
func bits(set, clear int) want {
	words := fmt.Sprintf("bits of %d set", set)
	if clear != 0 {
		words += fmt.Sprintf(", of %d not", clear)
	}
	return want{words, func(_ *trial, answer string) error {
		n, err := strconv.Atoi(answer)
		if err != nil || n < 0 || n&set != set || n&clear != 0 {
			return errors.New("not that")
		}
		return nil
	}}
}

// both wants the parts of an answer to a message of several queries.
func parts(wants ...want) want {
	var words []string
	for _, w := range wants {
		words = append(words, w.words)
	}
	return want{strings.Join(words, ";"), func(t *trial, answer string) error {
		got := splitAnswer(answer)
		if len(got) != len(wants) {
			return fmt.Errorf("%d parts, not %d", len(got), len(wants))
		}
		for i, w := range wants {
			if err := w.ok(t, got[i]); err != nil {
				return fmt.Errorf("part %d: %w", i+1, err)
			}
		}
		return nil
	}}
}

// atMost wants a level that is no more than another, to half a step.
func atMost(text, of string) want {
	return want{"at most " + text, func(t *trial, answer string) error {
		text, err := t.values.fill(text)
		if err != nil {
			return err
		}
		most, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return err
		}
		got, err := readNumber(answer)
		if err == nil && got > most+t.echoes(most, of) {
			err = fmt.Errorf("more than %s", text)
		}
		return err
	}}
}
