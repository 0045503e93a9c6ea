package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"io"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/demo"
)

// emulated runs the subcommand until the test stops it, and returns what it
// printed first and the address that it serves.
func emulated(t *testing.T, args ...string) (said, address string, lines *bufio.Reader, stop func() string) {
	t.Helper()
	out, in := io.Pipe()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		err := command(ctx, append([]string{"emulate"}, args...), in, testWriter{t})
		_ = in.CloseWithError(io.EOF)
		ended <- err
	}()
	t.Cleanup(cancel)
	lines = bufio.NewReader(out)
	said = announced(t, lines)
	address = regexp.MustCompile(`(?m)^    (\S+)$`).FindStringSubmatch(said)[1]
	return said, address, lines, func() string {
		cancel()
		rest, _ := io.ReadAll(lines)
		if err := <-ended; err != nil {
			t.Errorf("emulate ended with %v", err)
		}
		return string(rest)
	}
}

// announced is what is printed when a card begins to be served.
func announced(t *testing.T, lines *bufio.Reader) string {
	t.Helper()
	said := ""
	for !strings.Contains(said, "Interrupt to stop") {
		line, err := lines.ReadString('\n')
		if err != nil {
			t.Fatalf("it ended after %q", said)
		}
		said += line
	}
	return said
}

// asks sends messages over a stream and wants an answer each.
func asks(t *testing.T, stream io.ReadWriter, answers ...[2]string) {
	t.Helper()
	lines := bufio.NewReader(stream)
	for _, x := range answers {
		if _, err := io.WriteString(stream, x[0]+"\n"); err != nil {
			t.Fatal(err)
		}
		got, err := lines.ReadString('\n')
		if err != nil || strings.TrimSuffix(got, "\n") != x[1] {
			t.Errorf("%s: %q, %v, not %q", x[0], got, err, x[1])
		}
	}
}

func TestEmulateOverTCP(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "bench.json")
	said, address, _, stop := emulated(t, "-listen", "127.0.0.1:0", "-definition", file, "-watchdog", "3s",
		"-seed", "5", "-fault", "crlf@2", "-baud", "1000000")
	for _, want := range []string{"hex-inverter-schmitt", "crlf at message 2", file, "seed 5", "watchdog 3s"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not said in:\n%s", want, said)
		}
	}
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	def, err := bench.ParseDefinition(data)
	if err != nil {
		t.Fatal(err)
	}
	if c := def.Connections; len(c) != 1 || c[0].Address != address || c[0].Watchdog != 3 || def.Key == demo.BenchKey {
		t.Errorf("%+v", def.Connections)
	}
	conn, err := net.Dial("tcp", strings.TrimPrefix(address, "tcp://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	asks(t, conn,
		[2]string{"*IDN?", "Ohmkeep,Rehearsal card,rehearsal-5,1"},
		[2]string{"*OPT?", "CHANNELS 4,WATCHDOG 3,MESSAGE 1024\r"},
		[2]string{"ROUT:CLOS (@1!1);:SENS1:CURR:PROT 1E-3;:OUTP1 ON;OUTP1?", "1"})
	if last := stop(); !strings.Contains(last, "all outputs are off") {
		t.Errorf("at the end it says %q", last)
	}
}

func TestEmulateOnATerminal(t *testing.T) {
	t.Parallel()
	name := filepath.Join(t.TempDir(), "card")
	_, address, lines, stop := emulated(t, "-pty", "-link", name, "-model", "check-load", "-serial", "77", "-baud", "115200", "-fault", "powercut:1ms@3")
	if want := "serial://" + name + "?baud=115200"; address != want {
		t.Errorf("%s, not %s", address, want)
	}
	f, err := os.OpenFile(name, os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	asks(t, f, [2]string{"*IDN?", "Ohmkeep,Rehearsal card,77,1"}, [2]string{"*ESR?", "128"})
	// After a cut there is a new terminal under the same name.
	if _, err := io.WriteString(f, "*IDN?\n"); err != nil {
		t.Fatal(err)
	}
	if b, err := io.ReadAll(f); len(b) > 0 {
		t.Errorf("%q, %v", b, err)
	}
	if again := announced(t, lines); !strings.Contains(again, address) {
		t.Errorf("after the cut it says %q", again)
	}
	if last := stop(); !strings.Contains(last, "all outputs are off") {
		t.Errorf("at the end it says %q", last)
	}
	if _, err := os.Lstat(name); err == nil {
		t.Error("the link is left behind")
	}
}

func TestEmulateRefuses(t *testing.T) {
	t.Parallel()
	plain := filepath.Join(t.TempDir(), "plain")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range []string{
		"-fault none@1", "-fault slow", "-pty -listen 127.0.0.1:0", "-link x", "-baud 10", "-watchdog 1ms", "-model none", "extra",
		"-seed x", "-serial " + strings.Repeat("9", 80),
	} {
		err := command(t.Context(), append([]string{"emulate"}, strings.Fields(args)...), io.Discard, io.Discard)
		if !errors.As(err, new(usageError)) {
			t.Errorf("%s: %v", args, err)
		}
	}
	if err := command(t.Context(), []string{"emulate", "-pty", "-link", plain}, io.Discard, io.Discard); err == nil {
		t.Error("a file is replaced with a link")
	}
	if err := command(t.Context(), []string{"emulate", "-h"}, io.Discard, io.Discard); !errors.Is(err, flag.ErrHelp) {
		t.Error(err)
	}
	if err := command(t.Context(), []string{"emulate", "-listen", "nowhere"}, io.Discard, io.Discard); err == nil {
		t.Error("it serves nowhere")
	}
}

// Each model sits on contacts that the bench has; the demonstration's parts on
// those of their pin maps.
func TestEmulatedSeats(t *testing.T) {
	t.Parallel()
	docs := demo.Scenario()
	for _, key := range modelKeys() {
		seat := (&emulate{model: key, unitSeed: 1}).seat()
		for _, d := range docs.Devices {
			if d.Model == key && len(seat.PinMap.Contacts) != d.Package.Pins {
				t.Errorf("%s: %d pins, not %d", key, len(seat.PinMap.Contacts), d.Package.Pins)
			}
		}
		if len(seat.PinMap.Contacts) == 0 {
			t.Errorf("%s is on no contacts", key)
		}
	}
	if got := (&emulate{model: defaultModel}).seat().PinMap.Device; got != demo.LotDevice {
		t.Errorf("by default %s is seated", got)
	}
}
