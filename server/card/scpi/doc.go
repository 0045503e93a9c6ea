// Package scpi is the codec of IEEE 488.2 and SCPI-1999 messages: what a card
// reads and a host writes, and the other way round. It is pure: no I/O, no
// clock, no goroutines.
//
// Program messages, host to card. A Tree is built once from Commands, whose
// headers are written as the standards write them; a Parser goes through one
// message after another, unit by unit, so that a card carries out what is
// before a mistake and nothing after it:
//
//	tree, err := scpi.NewTree(commands)      // []Command
//	tree = tree.WithSuffixes(2)              // <n> is 1 or 2; anything else is -114
//	p := scpi.NewParser(tree)                // to be used again for every message
//	p.Start(line)                            // without LF; a CR at the end is ignored
//	for p.Next() {
//		u := p.Unit()                        // valid until the next Next
//		u.ID, u.Query, u.Suffix              // which command, "?" or not, <n> (1 where left out, 0 where there is none)
//		u.Values[0].Number, .Word, .On, .List, .Text
//	}
//	p.Err()                                  // nil or a Code: -113 …; nothing after it is to be carried out
//
//	type Command struct { ID ID; Header string; Form Form /* Sets, Asks, Both */; Params, Query []Param }
//	type Param   struct { Kind Kind; Unit string; Words []string; Min, Max float64; Whole, Optional bool }
//	type Kind    Numeric, Boolean, Choice, ChannelList, String
//	type Unit    struct { ID ID; Query bool; Suffix int; Values []Value }
//	type Value   struct { Kind Kind; Number float64; Word int /* in Param.Words, -1 none */; On bool; List []Item; Text string }
//	func (t *Tree) AppendMessage(dst []byte, units ...Unit) []byte   // short forms, from the root
//
// Numbers and lists, both ways:
//
//	func FormatNR3(v float64) string                   // shortest that reads back the same; ±9.9E37, 9.91E37
//	func AppendNR3(dst []byte, v float64) []byte
//	func ParseNumber(text string) (float64, error)     // NR1, NR2, NR3; 9.9E37 is +Inf, 9.91E37 NaN
//	func ParseInteger(text string) (int, error)        // NR1
//	func ParseBoolean(text string) (bool, error)       // 0 or 1
//	type Item struct { A, B int }                      // "1!12" is {1, 12}; "5" is {5, -1}
//	func ParseChannelList(dst []Item, text string) ([]Item, error)   // "(@1,3:5)"; "(@)" is empty
//	func FormatChannelList(items []Item) string
//	func AppendChannelList(dst []byte, items []Item) []byte
//	func Quote(text string) string; func Unquote(text string) (string, error)
//
// Answers, card to host:
//
//	func SplitAnswer(dst []string, line string) ([]string, error)  // at , and ; outside quotes and parentheses
//	func SplitUnits(dst []string, line string) ([]string, error)   // at ; alone
//	func ParseError(text string) (Error, error)                    // `-113,"Undefined header"`
//
// Errors and status, of a card:
//
//	type Code int                        // is an error; Code.Text(), Code.Class(); UndefinedHeader …
//	type Error struct { Code Code; Text string }                   // Text with what a device adds after ";"
//	func (c Code) Plain() Error; func (c Code) With(info string) Error
//	func CodeOf(err error) Code          // errors.Is(err, scpi.UndefinedHeader) works as well
//	type Queue  NewQueue(capacity); Push(Error); Pop() Error; Len(); Clear()
//	type Status NewStatus(capacity): Event, ESE, SRE, Operation and Questionable (Register), Queue;
//	             Report(Error), ReadEvent(), SetSRE, Clear(), Preset(), Byte(answer bool)
package scpi
