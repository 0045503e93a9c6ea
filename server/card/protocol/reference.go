package protocol

import (
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/card/scpi"
	"ohmkeep/server/cardinfo"
)

// Reference is the protocol as a page shows it: enough to write the firmware
// of a card from.
func Reference() cardinfo.Reference {
	r := cardinfo.Reference{Intro: slices.Clone(intro), Rules: rules()}
	for i := range table {
		r.Commands = append(r.Commands, table[i].reference())
	}
	for _, e := range errorTable {
		r.Errors = append(r.Errors, cardinfo.Error{Number: int(e.code), Text: e.code.Text(), When: e.when})
	}
	return r
}

// reference is a command as the page shows it. One that can only be asked has
// its "?" in the header, as the standards write it.
func (e *entry) reference() cardinfo.Command {
	c := cardinfo.Command{
		Group: e.group, Header: e.Header, Parameters: parameters(e.Params), Answer: e.answer,
		Query: e.Form&scpi.Asks != 0, QueryOnly: e.Form == scpi.Asks,
		Meaning: e.meaning, Errors: e.allErrors(), Timing: e.timing, Source: e.source,
	}
	if c.QueryOnly {
		c.Header += "?"
		c.Parameters = parameters(e.Query)
	}
	for _, x := range e.examples {
		c.Examples = append(c.Examples, x.String())
	}
	return c
}

// String is the message and, after an arrow, what a card could answer.
func (x example) String() string {
	if x.answer == "" {
		return x.message
	}
	return x.message + " → " + x.answer
}

// parameters writes parameters as the standards do, with the unit and the
// bounds of a number behind it.
func parameters(params []scpi.Param) string {
	var all []string
	for _, p := range params {
		text := parameter(p)
		if p.Optional {
			text = "[" + text + "]"
		}
		all = append(all, text)
	}
	return strings.Join(all, ",")
}

func parameter(p scpi.Param) string {
	switch p.Kind {
	case scpi.Boolean:
		return "<Boolean>"
	case scpi.ChannelList:
		return "<channel_list>"
	case scpi.String:
		return "<string>"
	case scpi.Choice:
		return strings.Join(p.Words, "|")
	}
	text := strings.Join(append([]string{"<numeric>"}, p.Words...), "|")
	var about []string
	if p.Unit != "" {
		about = append(about, unitNames[p.Unit])
	}
	switch {
	case p.Max > p.Min && p.Max < 1e300:
		about = append(about, strconv.FormatFloat(p.Min, 'g', -1, 64)+" to "+strconv.FormatFloat(p.Max, 'g', -1, 64))
	case p.Max > p.Min:
		about = append(about, "above 0")
	}
	if p.Whole {
		about = append(about, "rounded to a whole number")
	}
	if len(about) == 0 {
		return text
	}
	return text + " (" + strings.Join(about, "; ") + ")"
}

var unitNames = map[string]string{"V": "V", "A": "A", "S": "s", "OHM": "Ω", "HZ": "Hz"}

// allErrors returns the errors that a command's header, its parameters and its
// execution can lead to. Those of any message are in the rules.
func (e *entry) allErrors() []int {
	codes := []scpi.Code{scpi.ParameterNotAllowed}
	if strings.Contains(e.Header, "<n>") {
		codes = append(codes, scpi.SuffixOutOfRange)
	}
	for _, p := range slices.Concat(e.Params, e.Query) {
		codes = append(codes, scpi.DataTypeError)
		if !p.Optional {
			codes = append(codes, scpi.MissingParameter)
		}
		switch p.Kind {
		case scpi.ChannelList:
			codes = append(codes, scpi.InvalidExpression, scpi.DataOutOfRange, scpi.TooMuchData)
		case scpi.Choice:
			codes = append(codes, scpi.InvalidCharacterData, scpi.CharacterDataTooLong)
		case scpi.Boolean:
			codes = append(codes, scpi.InvalidCharacterData, scpi.CharacterDataTooLong)
			fallthrough
		case scpi.Numeric:
			codes = append(codes, scpi.InvalidCharInNumber, scpi.ExponentTooLarge, scpi.TooManyDigits, scpi.DataOutOfRange)
			codes = append(codes, suffixErrors(p)...)
		}
		if p.Kind == scpi.Numeric && len(p.Words) > 0 {
			codes = append(codes, scpi.InvalidCharacterData, scpi.CharacterDataTooLong)
		}
	}
	codes = append(codes, e.errors...)
	slices.SortFunc(codes, func(a, b scpi.Code) int { return int(b - a) })
	var out []int
	for _, c := range slices.Compact(codes) {
		out = append(out, int(c))
	}
	return out
}

func suffixErrors(p scpi.Param) []scpi.Code {
	if p.Unit == "" {
		return []scpi.Code{scpi.SuffixNotAllowed}
	}
	return []scpi.Code{scpi.InvalidSuffix, scpi.SuffixTooLong}
}

// errorRow is one row of the table of errors: a number and the condition under
// which a card reports it.
type errorRow struct {
	code scpi.Code
	when string
}

var errorTable = []errorRow{
	{scpi.NoError, "the queue is empty"},
	{scpi.InvalidCharacter, "a byte that may not be in a message (nothing of it is carried out), or a character that has no meaning where it stands, as in OUTP&"},
	{scpi.SyntaxError, "an empty unit, as after a last \";\"; two colons; a comma with nothing before or after it; a header or parameter that begins with what cannot begin one"},
	{scpi.InvalidSeparator, "something other than \",\" or \";\" after a parameter"},
	{scpi.DataTypeError, "a parameter of another kind than the command takes"},
	{scpi.ParameterNotAllowed, "more parameters than the command takes"},
	{scpi.MissingParameter, "fewer parameters than the command needs"},
	{scpi.HeaderSeparatorError, "no white space between header and parameter"},
	{scpi.MnemonicTooLong, "a word of a header with more than 12 characters, its number included"},
	{scpi.UndefinedHeader, "a header that there is not, neither in short nor in long form, or not in this form: with or without \"?\""},
	{scpi.SuffixOutOfRange, "a channel that the card does not have, or a number after a word that takes none"},
	{scpi.InvalidCharInNumber, "something in a number that does not belong there"},
	{scpi.ExponentTooLarge, "an exponent beyond 32000"},
	{scpi.TooManyDigits, "more than 255 digits without leading zeros, or a non-decimal number of more than 64 bits"},
	{scpi.InvalidSuffix, "a unit or multiplier that the parameter does not have"},
	{scpi.SuffixTooLong, "a unit with its multiplier of more than 12 characters"},
	{scpi.SuffixNotAllowed, "a unit after a number that has none"},
	{scpi.InvalidCharacterData, "a word that the parameter does not know"},
	{scpi.CharacterDataTooLong, "a word of more than 12 characters as a parameter"},
	{scpi.InvalidExpression, "a channel list that is none, or an empty one as a parameter"},
	{scpi.SettingsConflict, "what is set does not fit together; an output that may not be switched on; a multiplexer that is taken"},
	{scpi.DataOutOfRange, "a value beyond what can be set; a channel or path that is not there; not-a-number"},
	{scpi.TooMuchData, "a channel list of more than 1024 items"},
	{scpi.DataStale, "FETCh? with nothing to fetch"},
	{scpi.HardwareError, "the card could not do what it was told; what it knows is added to the text"},
	{scpi.HardwareMissing, "a channel without sense terminals told to use them"},
	{scpi.SelfTestFailed, "*TST? found something; what is added to the text"},
	{scpi.QueueOverflow, "the last entry of a full queue, in place of what came after"},
	{scpi.InputOverrun, "a message of more than 1024 bytes; nothing of it is carried out"},
	{scpi.TimeOut, "with \"watchdog\" added: the host was silent, outputs and paths have been made safe"},
}
