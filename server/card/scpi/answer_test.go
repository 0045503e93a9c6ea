package scpi

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
)

func TestSplitAnswer(t *testing.T) {
	for line, want := range map[string][]string{
		"":                            {""},
		"1":                           {"1"},
		" 1 , 2;3 ":                   {"1", "2", "3"},
		`-113,"Undefined header;a,b"`: {"-113", `"Undefined header;a,b"`},
		`'it''s;',2`:                  {`'it''s;'`, "2"},
		`"a""b",(@1,2;3),4`:           {`"a""b"`, "(@1,2;3)", "4"},
		`(a,(b,")"),c),d`:             {`(a,(b,")"),c)`, "d"},
		",;":                          {"", "", ""},
	} {
		if got, err := SplitAnswer(nil, line); err != nil || !slices.Equal(got, want) {
			t.Errorf("%q: %q, %v; want %q", line, got, err, want)
		}
	}
	got, err := SplitUnits([]string{"before"}, `1,2;"a;b";(@1;2);`)
	if want := []string{"before", "1,2", `"a;b"`, "(@1;2)", ""}; err != nil || !slices.Equal(got, want) {
		t.Errorf("%q, %v; want %q", got, err, want)
	}
	for _, line := range []string{`"`, `"a`, "(", "(@1,2", ")", "1)", `(")`, `'"`} {
		if got, err := SplitAnswer(nil, line); !errors.Is(err, ErrAnswer) {
			t.Errorf("%q: %q, %v", line, got, err)
		}
	}
}

func TestParseError(t *testing.T) {
	for text, want := range map[string]Error{
		`0,"No error"`:                   NoError.Plain(),
		` -113 , "Undefined header" `:    UndefinedHeader.Plain(),
		`+0,'No error'`:                  NoError.Plain(),
		`-365,"Time out error;watchdog"`: TimeOut.With("watchdog"),
		`17,"said ""no"", and went"`:     {17, `said "no", and went`},
	} {
		got, err := ParseError(text)
		if err != nil || got != want {
			t.Errorf("%s: %+v, %v", text, got, err)
		}
		if back, err := ParseError(got.String()); err != nil || back != got {
			t.Errorf("%s reads back as %+v, %v", got, back, err)
		}
	}
	for _, text := range []string{"", "0", `0,No error`, `"No error",0`, `1.5,"x"`, `40000,"x"`, `0,"x",1`, `0,"x`} {
		if got, err := ParseError(text); !errors.Is(err, ErrAnswer) {
			t.Errorf("%s: %+v, %v", text, got, err)
		}
	}
	wrapped := fmt.Errorf("card 1: %w", TimeOut.With("watchdog"))
	if !errors.Is(wrapped, TimeOut) || CodeOf(wrapped) != TimeOut || CodeOf(nil) != NoError || CodeOf(errors.New("x")) != -300 {
		t.Error("the number of an error is not found")
	}
	if got := UndefinedHeader.Error(); got != `-113,"Undefined header"` {
		t.Error(got)
	}
}

func TestChannelLists(t *testing.T) {
	for text, want := range map[string][]Item{
		"(@)":                     nil,
		" ( @ ) ":                 nil,
		"(@0)":                    {Plain(0)},
		"( @ 1 , 3 : 5 )":         {Plain(1), Plain(3), Plain(4), Plain(5)},
		"(@1!12,0!7)":             {{1, 12}, {0, 7}},
		"(@1!1:2!3)":              {{1, 1}, {1, 2}, {1, 3}, {2, 1}, {2, 2}, {2, 3}},
		"(@2!2:1!1)":              {{2, 2}, {2, 1}, {1, 2}, {1, 1}},
		"(@1 ! 2 : 1 ! 2, 65535)": {{1, 2}, Plain(65535)},
	} {
		got, err := ParseChannelList(nil, text)
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("%s: %v, %v; want %v", text, got, err, want)
		}
		if back, err := ParseChannelList(nil, FormatChannelList(got)); err != nil || !slices.Equal(back, got) {
			t.Errorf("%s is written %s, which is %v, %v", text, FormatChannelList(got), back, err)
		}
	}
	for text, want := range map[string]Code{
		"": InvalidExpression, "()": InvalidExpression, "(1)": InvalidExpression, "@1": InvalidExpression, "(@1": InvalidExpression,
		"(@1,)": InvalidExpression, "(@,1)": InvalidExpression, "(@1 2)": InvalidExpression, "(@1:)": InvalidExpression, "(@1:2:3)": InvalidExpression,
		"(@1!)": InvalidExpression, "(@1!2!3)": InvalidExpression, "(@1:2!3)": InvalidExpression, "(@1!2:3)": InvalidExpression,
		"(@-1)": InvalidExpression, "(@1.5)": InvalidExpression, "(@a)": InvalidExpression, "(@(1))": InvalidExpression, "(@1)x": InvalidExpression,
		"(@65536)": DataOutOfRange, "(@99999999999999999999)": DataOutOfRange, "(@1!70000)": DataOutOfRange,
		"(@1:1025)": TooMuchData, "(@0!0:65535!65535)": TooMuchData, "(@" + strings.Repeat("1,", 1024) + "1)": TooMuchData,
	} {
		if got, err := ParseChannelList(nil, text); CodeOf(err) != want {
			t.Errorf("%.40s: %d items, %v; want %v", text, len(got), err, want)
		}
	}
	if got, err := ParseChannelList(nil, "(@1:1024)"); err != nil || len(got) != 1024 {
		t.Errorf("%d items, %v", len(got), err)
	}
	if got := (Item{3, 0}).String() + Plain(7).String(); got != "3!07" {
		t.Error(got)
	}
}

func TestQueue(t *testing.T) {
	q := NewQueue(3)
	for round := range 3 {
		for n := 1; n <= 5; n++ {
			if room := q.Push(Code(n).With("x")); room != (n <= 3) {
				t.Errorf("round %d, %d: room %t", round, n, room)
			}
		}
		if q.Len() != 3 {
			t.Errorf("%d entries", q.Len())
		}
		for _, want := range []Code{1, 2, QueueOverflow, NoError, NoError} {
			if got := q.Pop(); got.Code != want {
				t.Errorf("round %d: %v; want %d", round, got, want)
			}
		}
	}
	q.Push(UndefinedHeader.With(strings.Repeat("x", 300)))
	if got := q.Pop(); len(got.Text) != maxErrorText {
		t.Errorf("a text of %d characters", len(got.Text))
	}
	q.Push(UndefinedHeader.Plain())
	q.Clear()
	if got := q.Pop(); got != NoError.Plain() || q.Len() != 0 {
		t.Errorf("%v after it was cleared", got)
	}
}

func TestStatus(t *testing.T) {
	s := NewStatus(2)
	if s.ReadEvent() != EventPowerOn || s.ReadEvent() != 0 {
		t.Error("power on is not told, or not once")
	}
	s.Report(UndefinedHeader.Plain())
	s.Report(DataOutOfRange.Plain())
	if s.Event != EventCommand|EventExecution {
		t.Errorf("%08b", s.Event)
	}
	s.Report(Code(-420).Plain())
	if s.Event != EventCommand|EventExecution|EventQuery|EventDevice || s.Queue.Len() != 2 {
		t.Errorf("after an overflow: %08b, %d entries", s.Event, s.Queue.Len())
	}
	if b := s.Byte(false); b != ByteErrors {
		t.Errorf("%08b", b)
	}
	s.ESE = EventQuery
	s.SetSRE(ByteEvent | ByteMaster)
	if b := s.Byte(true); s.SRE != ByteEvent || b != ByteErrors|ByteEvent|ByteMaster|ByteAnswer {
		t.Errorf("%08b, SRE %08b", b, s.SRE)
	}
	s.Questionable.Set(QuestionableCurrent | 1<<15)
	s.Operation.Set(OperationMeasuring)
	s.Questionable.Enable, s.Operation.Enable = 0xffff, OperationSettling
	if b := s.Byte(false); b&ByteQuestionable == 0 || b&ByteOperation != 0 || s.Questionable.Condition != QuestionableCurrent {
		t.Errorf("%08b, %+v", b, s.Questionable)
	}
	s.Questionable.Set(0)
	if e := s.Questionable.Read(); e != QuestionableCurrent || s.Questionable.Read() != 0 {
		t.Errorf("event %b", e)
	}
	s.Clear()
	if s.Event != 0 || s.Operation.Event != 0 || s.Queue.Len() != 0 || s.ESE != EventQuery || s.Operation.Enable != OperationSettling {
		t.Errorf("cleared: %+v", s)
	}
	s.Preset()
	if s.Operation.Enable != 0 || s.Questionable.Enable != 0 || s.ESE != EventQuery {
		t.Errorf("preset: %+v", s)
	}
}
