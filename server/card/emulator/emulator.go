// Package emulator is an emulated card: it serves a bench.Link, in practice
// the rehearsal bench, through the protocol that real cards speak, so that the
// host's side can be used and tested without hardware. What a host reads
// through it is what it would have read from the link, to the last bit: one
// message of settings is one Set, one list of paths one Close, one READ? one
// Read. Faults of the line, the card and the host's manners can be ordered.
//
// All values are in SI base units: volts, amperes, seconds.
package emulator

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/protocol"
	"ohmkeep/server/card/scpi"
)

// Maker and Model are the first two fields of *IDN?. A host knows a rehearsal
// by the model.
const (
	Maker = "Ohmkeep"
	Model = "Rehearsal card"
)

const (
	// errorsKept is the capacity of the error queue, in errors.
	errorsKept = 2 * protocol.MinErrors
)

// Config is the configuration of a card.
type Config struct {
	// Link is what is served. The card is its only user.
	Link bench.Link
	// Definition describes what the link drives: as it is, or as Describe
	// returns it.
	Definition bench.Definition
	// Clock is the card's own time: of its watchdog and of ordered faults. It
	// has nothing to do with the link's time and must really wait. Nil is the
	// wall clock.
	Clock bench.Clock
	// Watchdog is how long a host may be silent while anything is on or
	// closed; 0 is 2 s.
	Watchdog time.Duration
	// Serial is what *IDN? says; empty: the link's own.
	Serial string
	// Log is told of hosts that come and go and of what is injected; nil: nothing.
	Log *slog.Logger
	// Orders are the faults to inject; nil: none.
	Orders *Orders
}

// Errors of Serve.
var (
	// ErrTaken: another host is served.
	ErrTaken = errors.New("emulator: another host has the card")
	// ErrCut: a fault that was ordered cut the connection.
	ErrCut = errors.New("emulator: the connection was cut to order")
)

// Card is a card of the protocol. It serves one host at a time, and keeps its
// state between hosts as a card that stays switched on does.
type Card struct {
	link     bench.Link
	def      bench.Definition
	clock    bench.Clock
	watchdog time.Duration
	identity string
	log      *slog.Logger
	orders   *Orders
	parser   *scpi.Parser
	address  map[scpi.Item]int // index in def.Paths
	number   map[int]int       // index in channels, by what the card calls it

	hosts sync.Mutex // of the three below
	taken bool
	turn  int       // counts hosts
	dark  time.Time // no power until then

	pulse pulse

	messages int // since it was made; of who serves the host

	mu       sync.Mutex // of what follows, and of the link
	status   *scpi.Status
	channels []channel
	closed   []bool // by index in def.Paths
	last     []taken
}

// New makes a card and makes its link safe, as a card does at power on.
func New(cfg Config) (*Card, error) {
	if cfg.Link == nil {
		return nil, errors.New("emulator: there is no link to serve")
	}
	if err := cfg.Definition.Validate(); err != nil {
		return nil, fmt.Errorf("emulator: bench: %w", err)
	}
	if _, counts := cfg.Clock.(*bench.CountingClock); counts {
		return nil, errors.New("emulator: the card's own clock must wait; a counting clock is one for the link")
	}
	if err := cfg.Orders.check(); err != nil {
		return nil, err
	}
	tree, err := protocol.Tree(highest(&cfg.Definition))
	if err != nil {
		return nil, err
	}
	c := &Card{
		link: cfg.Link, def: cfg.Definition, clock: cfg.Clock, watchdog: cfg.Watchdog, log: cfg.Log, orders: cfg.Orders,
		parser: scpi.NewParser(tree), address: map[scpi.Item]int{}, number: map[int]int{},
		closed: make([]bool, len(cfg.Definition.Paths)),
	}
	if c.clock == nil {
		c.clock = bench.RealClock{}
	}
	if c.watchdog == 0 {
		c.watchdog = protocol.DefaultWatchdog
	}
	if c.log == nil {
		c.log = slog.New(slog.DiscardHandler)
	}
	if c.orders == nil {
		c.orders = NewOrders(0)
	}
	if err := c.lay(); err != nil {
		return nil, err
	}
	if c.identity, err = identify(cfg); err != nil {
		return nil, err
	}
	return c, c.powerOn()
}

// highest returns the highest number of a channel.
func highest(def *bench.Definition) int {
	most := 0
	for i := range def.Channels {
		most = max(most, def.Channels[i].NumberOf())
	}
	return most
}

// lay numbers the channels and paths as hosts call them.
func (c *Card) lay() error {
	for i := range c.def.Channels {
		ch := &c.def.Channels[i]
		n := ch.NumberOf()
		if _, twice := c.number[n]; twice {
			return fmt.Errorf("emulator: two channels of the bench are number %d", n)
		}
		c.number[n] = i
		c.channels = append(c.channels, channel{def: ch, number: n})
	}
	for i := range c.def.Paths {
		item := itemOf(&c.def, &c.def.Paths[i])
		if _, twice := c.address[item]; twice {
			return fmt.Errorf("emulator: two paths of the bench are %d!%d", item.A, item.B)
		}
		c.address[item] = i
	}
	return nil
}

// identify asks the link who it is, for *IDN?.
func identify(cfg Config) (string, error) {
	who, err := cfg.Link.Identify(context.Background())
	if err != nil {
		return "", fmt.Errorf("emulator: asking the link who it is: %w", err)
	}
	if cfg.Serial != "" {
		who.Serial = cfg.Serial
	}
	field := func(s string) string {
		s = strings.Map(func(r rune) rune {
			if r <= ' ' || r > '~' || r == ',' || r == ';' {
				return '-'
			}
			return r
		}, s)
		if s == "" {
			return "0" // IEEE 488.2, 10.14: a field that is not available
		}
		return s
	}
	answer := strings.Join([]string{Maker, Model, field(who.Serial), field(who.Version)}, ",")
	if len(answer) > protocol.MaxIdentity {
		return "", fmt.Errorf("emulator: %q is longer than the %d characters of *IDN?", answer, protocol.MaxIdentity)
	}
	return answer, nil
}

// powerOn puts the card into its state after power on: everything is
// forgotten, and the outputs are off.
func (c *Card) powerOn() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.status = scpi.NewStatus(errorsKept)
	return c.reset()
}

// energised reports whether the watchdog has something to watch: an output
// that is on or a path that is closed.
func (c *Card) energised() bool {
	for i := range c.channels {
		if c.channels[i].on {
			return true
		}
	}
	for _, closed := range c.closed {
		if closed {
			return true
		}
	}
	return false
}

// State returns the state of the bench behind the card.
func (c *Card) State() bench.State {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.energised() {
		return bench.Energised
	}
	return bench.Safe
}
