package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net"
	"os"
	"slices"
	"strings"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/emulator"
	"ohmkeep/server/demo"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/rehearsal/model"
)

// emulate is the options of the subcommand emulate.
type emulate struct {
	listen, link, definition string
	pty                      bool
	baud                     int
	seed, unitSeed           uint64
	model                    string
	watchdog                 time.Duration
	faults                   []emulator.Order
	faultSeed                uint64
	serial                   string
	out                      io.Writer
	log                      *slog.Logger
}

// emulateCommand serves the rehearsal bench as a card until the context ends.
func emulateCommand(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	e := emulate{out: stdout}
	fs := newFlags("ohmkeep emulate", stderr)
	fs.StringVar(&e.listen, "listen", "127.0.0.1:5025", "TCP `address` to serve on; loopback unless you name another")
	fs.BoolVar(&e.pty, "pty", false, "serve on a pseudo-terminal instead; its path is printed")
	fs.StringVar(&e.link, "link", "", "with -pty: a symbolic link at this `path` to the pseudo-terminal, so that its path stays the same")
	fs.IntVar(&e.baud, "baud", 0, "let bytes take their time as on a serial line of so many `bits/s`; 0: no time")
	fs.Uint64Var(&e.seed, "seed", benchSeed, "seed of the bench: its errors and its noise")
	fs.StringVar(&e.model, "model", defaultModel, "what sits in the socket, a `key`: "+strings.Join(modelKeys(), ", "))
	fs.Uint64Var(&e.unitSeed, "unit-seed", demo.Lot()[0].Seed, "seed of the unit in the socket")
	fs.DurationVar(&e.watchdog, "watchdog", 2*time.Second, "how long a host may be silent")
	fs.StringVar(&e.serial, "serial", "", "serial number that *IDN? says (default: by the seed)")
	fs.Func("fault", "a `fault` to inject, may be given again: kind@n at message n, kind%p at p percent of them, "+
		"kind:300ms@n with a delay of its own; kinds: "+faultWords(), func(text string) error {
		o, err := emulator.ParseOrder(text)
		e.faults = append(e.faults, o)
		return err
	})
	fs.Uint64Var(&e.faultSeed, "fault-seed", 1, "seed of the faults by chance")
	fs.StringVar(&e.definition, "definition", "", "write the bench's definition for import to this `file`")
	logJSON := fs.Bool("log-json", false, "write logs as JSON")
	verbose := fs.Bool("verbose", false, "log every error that the card queues")
	if err := parse(fs, args); err != nil {
		return err
	}
	given := map[string]bool{}
	fs.Visit(func(f *flag.Flag) { given[f.Name] = true })
	if err := e.check(given); err != nil {
		return usageError{fmt.Errorf("ohmkeep emulate: %w", err)}
	}
	e.log = newLog(stderr, *logJSON, *verbose)
	return e.serve(ctx)
}

// defaultModel is the model that emulate seats by default: that of the
// demonstration's lot, on the contacts of its pin map, so that the
// demonstration's procedures find the part they are for.
const defaultModel = "hex-inverter-schmitt"

func modelKeys() []string {
	var keys []string
	for _, m := range model.All() {
		keys = append(keys, m.Key)
	}
	return keys
}

// faultWords lists the kinds of fault with what they do.
func faultWords() string {
	var b strings.Builder
	for _, k := range emulator.Kinds() {
		fmt.Fprintf(&b, "\n  %-12s %s", k.Kind, k.Title)
		if k.Delay > 0 {
			fmt.Fprintf(&b, " (%v)", k.Delay)
		}
	}
	return b.String()
}

func (e *emulate) check(given map[string]bool) error {
	switch {
	case e.pty && given["listen"]:
		return errors.New("name -listen or -pty, not both")
	case e.link != "" && !e.pty:
		return errors.New("-link goes with -pty")
	case e.baud != 0 && (e.baud < 300 || e.baud > 12_000_000):
		return fmt.Errorf("-baud must be 300 to 12000000 bits/s, not %d", e.baud)
	case e.watchdog < 10*time.Millisecond || e.watchdog > 10*time.Minute:
		return fmt.Errorf("-watchdog must be 10ms to 10m, not %v", e.watchdog)
	case !slices.Contains(modelKeys(), e.model):
		return fmt.Errorf("there is no -model %q; there are %s", e.model, strings.Join(modelKeys(), ", "))
	}
	return nil
}

// serve makes the card and serves it.
func (e *emulate) serve(ctx context.Context) error {
	seat := e.seat()
	def := rehearsal.DefaultBench()
	b, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: bench.FineClock{}, Seed: e.seed, Seat: seat})
	if err != nil {
		return err
	}
	card, err := emulator.New(emulator.Config{
		Link: b, Definition: def, Watchdog: e.watchdog, Serial: e.serial, Log: e.log,
		Orders: emulator.NewOrders(e.faultSeed, e.faults...),
	})
	if err != nil {
		return usageError{err}
	}
	if e.pty {
		err = e.onTerminals(ctx, card, def, seat)
	} else {
		err = e.onNetwork(ctx, card, def, seat)
	}
	if err == nil {
		_, err = fmt.Fprintln(e.out, "Stopped; all outputs are off and all paths open.")
	}
	return err
}

// seat returns what sits in the socket: on the contacts of the demonstration's
// pin map where it has the part, else pin by pin from contact 1.
func (e *emulate) seat() rehearsal.Seat {
	seat := rehearsal.Seat{Model: e.model, Seed: e.unitSeed, PinMap: bench.PinMap{Device: e.model, Bench: demo.BenchKey, Contacts: map[int]int{}}}
	docs := demo.Scenario()
	for _, d := range docs.Devices {
		for _, m := range docs.PinMaps {
			if d.Model == e.model && m.Device == d.Key {
				seat.PinMap = m
				return seat
			}
		}
	}
	for _, m := range model.All() {
		for n := 1; m.Key == e.model && n <= m.Pins; n++ {
			seat.PinMap.Contacts[n] = n
		}
	}
	return seat
}

// onNetwork serves over TCP until the context ends.
func (e *emulate) onNetwork(ctx context.Context, card *emulator.Card, def bench.Definition, seat rehearsal.Seat) error {
	l, err := net.Listen("tcp", e.listen)
	if err != nil {
		return err
	}
	address := "tcp://" + browserAddress(l.Addr().String())
	if e.baud > 0 {
		l = emulator.PacedListener(l, e.baud)
	}
	if err := e.announce(def, address, seat); err != nil {
		return errors.Join(err, l.Close())
	}
	return card.Listen(ctx, l)
}

// onTerminals serves on a pseudo-terminal, and on a new one after a fault has
// cut it, until the context ends.
func (e *emulate) onTerminals(ctx context.Context, card *emulator.Card, def bench.Definition, seat rehearsal.Seat) error {
	for {
		stream, path, err := emulator.OpenPTY()
		if err != nil {
			return err
		}
		if e.link != "" {
			if path, err = relink(path, e.link); err != nil {
				return errors.Join(err, stream.Close())
			}
		}
		address := "serial://" + path
		if e.baud > 0 {
			stream = emulator.Paced(stream, e.baud)
			address += fmt.Sprintf("?baud=%d", e.baud)
		}
		if err := e.announce(def, address, seat); err != nil {
			return errors.Join(err, stream.Close())
		}
		err = card.Serve(ctx, stream)
		if e.link != "" {
			err = errors.Join(err, os.Remove(e.link))
		}
		if !errors.Is(err, emulator.ErrCut) {
			return err
		}
		if card.Powered(ctx) != nil {
			return nil
		}
	}
}

// relink makes the symbolic link of that name point to the path, and returns
// the name.
func relink(path, name string) (string, error) {
	if info, err := os.Lstat(name); err == nil && info.Mode()&os.ModeSymlink == 0 {
		return "", fmt.Errorf("-link: %s is there already and is no symbolic link", name)
	} else if err == nil {
		if err := os.Remove(name); err != nil {
			return "", err
		}
	}
	return name, os.Symlink(path, name)
}

// announce prints what is served and how to use it, and writes the definition.
func (e *emulate) announce(def bench.Definition, address string, seat rehearsal.Seat) error {
	described := emulator.Describe(def, address)
	described.Connections[0].Watchdog = e.watchdog.Seconds()
	var b strings.Builder
	fmt.Fprintf(&b, "The rehearsal bench (seed %d) is served as a card: %d channels, %d paths, watchdog %v.\n\n    %s\n\n",
		e.seed, len(def.Channels), len(def.Paths), e.watchdog, address)
	fmt.Fprintf(&b, "In the socket: %s, unit %d.\n%s", e.model, e.unitSeed, contactWords(seat.PinMap.Contacts))
	for _, o := range e.faults {
		fmt.Fprintf(&b, "Fault to order: %s\n", orderWords(o))
	}
	if e.definition != "" {
		data, err := described.Document()
		if err != nil {
			return err
		}
		if err := os.WriteFile(e.definition, data, 0o644); err != nil {
			return err
		}
		fmt.Fprintf(&b, "The bench's definition is in %s: import it on the page of the benches and put that bench in use.\n", e.definition)
	} else {
		b.WriteString("For a definition of this bench to import in the browser, name a file with -definition.\n")
	}
	b.WriteString("It answers lines of text such as *IDN? or READ? (@1), one host at a time. Interrupt to stop; it is made safe then.\n")
	_, err := io.WriteString(e.out, b.String())
	return err
}

// contactWords returns in words which contact each pin is on.
func contactWords(contacts map[int]int) string {
	if len(contacts) == 0 {
		return ""
	}
	var words []string
	for _, pin := range slices.Sorted(maps.Keys(contacts)) {
		words = append(words, fmt.Sprintf("%d:%d", pin, contacts[pin]))
	}
	return "Pin:contact " + strings.Join(words, " ") + "\n"
}

func orderWords(o emulator.Order) string {
	if o.At > 0 {
		return fmt.Sprintf("%s at message %d", o.Kind, o.At)
	}
	return fmt.Sprintf("%s at %g %% of the messages", o.Kind, 100*o.Chance)
}
