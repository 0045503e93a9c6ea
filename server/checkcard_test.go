package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/emulator"
	"ohmkeep/server/rehearsal"
)

// servedCard is an emulated card on a port, and its address.
func servedCard(t *testing.T) (*emulator.Card, string) {
	t.Helper()
	def := rehearsal.DefaultBench()
	b, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: bench.RealClock{}, Seed: 3,
		Seat: rehearsal.Seat{Model: "empty", Seed: 1, PinMap: bench.PinMap{Contacts: map[int]int{}}}})
	if err != nil {
		t.Fatal(err)
	}
	card, err := emulator.New(emulator.Config{Link: b, Definition: def, Watchdog: time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- card.Listen(ctx, l) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return card, l.Addr().String()
}

func TestCheckCardPasses(t *testing.T) {
	t.Parallel()
	card, address := servedCard(t)
	var out bytes.Buffer
	err := checkCardCommand(t.Context(), []string{address, "-yes", "-group", "identity,numbers,hosts,restart"}, &out, io.Discard)
	if err != nil {
		t.Errorf("%v\n%s", err, &out)
	}
	for _, words := range []string{
		"Leave the socket empty", "at most 0.1 V", "identity\n  pass    *IDN?", "closed at once", "0 failed, 1 skipped\n",
		"skipped a card that has started anew says so\n          nobody is there", "pass    the card is safe",
	} {
		if !strings.Contains(out.String(), words) {
			t.Errorf("%q is missing in\n%s", words, &out)
		}
	}
	if strings.Contains(out.String(), " > \"") {
		t.Errorf("raw exchanges that nobody asked for:\n%s", &out)
	}
	if card.State() != bench.Safe {
		t.Errorf("the card is %s", card.State())
	}
}

func TestCheckCardSaysWhatFailed(t *testing.T) {
	t.Parallel()
	_, address := servedCard(t)
	var out bytes.Buffer
	err := checkCardCommand(t.Context(), []string{"-yes", "-group", "identity", "-watchdog", "2s", "tcp://" + address}, &out, io.Discard)
	if err == nil || errors.As(err, new(usageError)) || !strings.Contains(err.Error(), "failed") {
		t.Errorf("%v", err)
	}
	for _, words := range []string{
		"fail    the card says what it has\n          expected  *OPT?", "WATCHDOG 6", "and the watchdog is to be 2s",
		`ms > "*OPT?\n"`, `ms < "CHANNELS 4`,
	} {
		if !strings.Contains(out.String(), words) {
			t.Errorf("%q is missing in\n%s", words, &out)
		}
	}
}

func TestCheckCardInJSON(t *testing.T) {
	t.Parallel()
	_, address := servedCard(t)
	var out, notes bytes.Buffer
	if err := checkCardCommand(t.Context(), []string{address, "-json", "-yes", "-group", "identity"}, &out, &notes); err != nil {
		t.Error(err)
	}
	var doc struct {
		Passed, Failed int
		Findings       []struct {
			Group, Title, Verdict string
			Events                []struct{ Bytes []byte }
		}
	}
	if err := json.Unmarshal(out.Bytes(), &doc); err != nil {
		t.Fatalf("%v: %s", err, &out)
	}
	if doc.Passed != len(doc.Findings) || doc.Passed < 10 || doc.Failed != 0 || len(doc.Findings[0].Events) < 2 || string(doc.Findings[0].Events[0].Bytes) != "*IDN?\n" {
		t.Errorf("%+v", doc)
	}
	if !strings.Contains(notes.String(), "Leave the socket empty") {
		t.Errorf("the cautions are missing: %s", &notes)
	}
}

// TestCheckCardAsks holds that nothing is sent to a card before somebody says yes.
func TestCheckCardAsks(t *testing.T) {
	t.Parallel()
	_, address := servedCard(t)
	for _, c := range []struct {
		name, typed string
		terminal    bool
		begun       bool
	}{
		{"yes", "yes\n", true, true}, {"no", "no\n", true, false}, {"nothing", "", true, false}, {"nobody", "yes\n", false, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			var out bytes.Buffer
			check := checkCard{in: strings.NewReader(c.typed), terminal: c.terminal, out: &out, notes: &out}
			if err := check.parse([]string{address, "-group", "identity"}, io.Discard); err != nil {
				t.Fatal(err)
			}
			err := check.run(t.Context())
			if refused := errors.As(err, new(usageError)); refused == c.begun || c.begun && err != nil {
				t.Errorf("%v", err)
			}
			if begun := strings.Contains(out.String(), "*IDN?"); begun != c.begun {
				t.Errorf("begun: %v\n%s", begun, &out)
			}
		})
	}
}

func TestCheckCardCommandLine(t *testing.T) {
	t.Parallel()
	for _, args := range [][]string{
		{}, {"one:1", "two:2"}, {"nowhere"}, {"tcp://host"}, {"ftp://host:1"}, {"serial://tty"}, {"host:1", "-group", "nonsense"},
		{"host:1", "-paths", "12"}, {"host:1", "-timeout", "0s"}, {"host:1", "-watchdog", "-1s"}, {"host:1", "-nonsense"},
	} {
		err := checkCardCommand(t.Context(), append(args, "-yes"), io.Discard, io.Discard)
		if !errors.As(err, new(usageError)) {
			t.Errorf("%q: %v", args, err)
		}
	}
	var help bytes.Buffer
	if err := checkCardCommand(t.Context(), []string{"-h"}, io.Discard, &help); !errors.Is(err, flag.ErrHelp) || !strings.Contains(help.String(), "Exit status") {
		t.Errorf("%v: %s", err, &help)
	}
	// Nobody listens there.
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := checkCardCommand(t.Context(), []string{l.Addr().String(), "-yes"}, io.Discard, io.Discard); err == nil || errors.As(err, new(usageError)) {
		t.Errorf("%v", err)
	}
}
