package emulator

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Kind is a kind of fault that can be ordered.
type Kind string

// The kinds of fault. What each does is said in Kinds.
const (
	Slow        Kind = "slow"
	Late        Kind = "late"
	Silent      Kind = "silent"
	Freeze      Kind = "freeze"
	Split       Kind = "split"
	CRLF        Kind = "crlf"
	Garbled     Kind = "garbled"
	Noise       Kind = "noise"
	Half        Kind = "half"
	Merged      Kind = "merged"
	Echo        Kind = "echo"
	Unsolicited Kind = "unsolicited"
	Wrong       Kind = "wrong"
	Digits      Kind = "digits"
	NaN         Kind = "nan"
	OutOfRange  Kind = "range"
	Trip        Kind = "trip"
	Watchdog    Kind = "watchdog"
	Meddle      Kind = "meddle"
	Reboot      Kind = "reboot"
	HangUp      Kind = "hangup"
	PowerCut    Kind = "powercut"
)

// need is the condition under which a fault can happen at a message.
type need int

const (
	anything need = iota
	anAnswer
	aReading // as answer
	anOutput // that is on
	energy   // an output that is on or a path that is closed
)

// Effect is the consequence of a fault, as a host can notice it.
type Effect string

const (
	// Harmless: the protocol allows it, and readings are what they were.
	Harmless Effect = "harmless"
	// Noticeable: something is wrong, and a careful host finds out.
	Noticeable Effect = "noticeable"
	// Hidden: what comes could be right; no host can tell.
	Hidden Effect = "hidden"
)

// Described is a kind of fault in words.
type Described struct {
	Kind   Kind
	Title  string
	Effect Effect
	// Delay is how long it takes where the order does not say; 0: it has none.
	Delay time.Duration
	needs need
}

// Kinds lists the kinds of fault.
func Kinds() []Described { return slices.Clone(kinds) }

var kinds = []Described{
	{Slow, "the message is carried out only after the delay", Harmless, 100 * time.Millisecond, anything},
	{Split, "the answer comes in pieces, the delay between them", Harmless, 2 * time.Millisecond, anAnswer},
	{CRLF, "the answer ends with CR LF", Harmless, 0, anAnswer},
	{Late, "carried out at once, but the answer, and all after it, comes after the delay", Noticeable, 3 * time.Second, anAnswer},
	{Silent, "carried out, but never answered", Noticeable, 0, anAnswer},
	{Freeze, "the card does nothing for the delay, its watchdog included, and then goes on", Noticeable, 5 * time.Second, anything},
	{Garbled, "some bytes of the answer are changed to what is no text", Noticeable, 0, anAnswer},
	{Noise, "bytes that are no text come with the answer", Noticeable, 0, anAnswer},
	{Half, "only the first half of the answer comes, without its end", Noticeable, 0, anAnswer},
	{Merged, "the answer comes without its end, so that the next is on the same line", Noticeable, 0, anAnswer},
	{Echo, "the message is sent back before it is answered", Noticeable, 0, anything},
	{Unsolicited, "a line that nobody asked for comes before the answer", Noticeable, 0, anything},
	{Wrong, "the answer has another number of fields", Noticeable, 0, anAnswer},
	{NaN, "a reading's volts and amperes are not a number", Noticeable, 0, aReading},
	{OutOfRange, "a reading's volts and amperes are beyond every range", Noticeable, 0, aReading},
	{Digits, "one digit of the answer is another", Hidden, 0, anAnswer},
	{Trip, "a channel switches its output off by itself", Noticeable, 0, anOutput},
	{Watchdog, "the watchdog makes everything safe though the host spoke", Noticeable, 0, energy},
	{Meddle, "another host changes the level of a channel or switches its output off", Noticeable, 0, anOutput},
	{Reboot, "the card starts anew instead of carrying out the message: all off, settings gone, a banner after the delay", Noticeable, 100 * time.Millisecond, anything},
	{HangUp, "the connection is cut instead of carrying out the message", Noticeable, 0, anything},
	{PowerCut, "the card has no power for the delay: all off, settings gone, connection cut", Noticeable, 50 * time.Millisecond, anything},
}

func describe(k Kind) (Described, bool) {
	i := slices.IndexFunc(kinds, func(d Described) bool { return d.Kind == k })
	if i < 0 {
		return Described{}, false
	}
	return kinds[i], true
}

// Order is one fault to happen, or to happen by chance.
type Order struct {
	Kind Kind
	// At is the number of the message it happens at, from 1, or at the first
	// after it that it can happen at. 0: by chance.
	At int
	// Chance is the part of the messages that it happens at, 0 to 1.
	Chance float64
	// Delay is how long it takes, where it takes time; 0: as Kinds says.
	Delay time.Duration
}

// ErrOrder is an order that cannot be understood.
var ErrOrder = errors.New("emulator: not an order of a fault")

// ParseOrder reads kind@n, kind%p (percent of the messages), and with a delay
// kind:300ms@n.
func ParseOrder(text string) (Order, error) {
	i := strings.IndexAny(text, "@%")
	if i < 0 {
		return Order{}, fmt.Errorf("%w: write kind@number or kind%%percent, not %q", ErrOrder, text)
	}
	name, delay, delayed := strings.Cut(text[:i], ":")
	o := Order{Kind: Kind(name)}
	var err error
	if delayed {
		if o.Delay, err = time.ParseDuration(delay); err != nil || o.Delay <= 0 {
			return o, fmt.Errorf("%w: %q is no time such as 300ms", ErrOrder, delay)
		}
	}
	if text[i] == '@' {
		if o.At, err = strconv.Atoi(text[i+1:]); err != nil || o.At < 1 {
			return o, fmt.Errorf("%w: %q is no number of a message, from 1", ErrOrder, text[i+1:])
		}
		return o, o.check()
	}
	percent, err := strconv.ParseFloat(text[i+1:], 64)
	if err != nil || !(percent > 0 && percent <= 100) {
		return o, fmt.Errorf("%w: %q is no percentage above 0 and at most 100", ErrOrder, text[i+1:])
	}
	o.Chance = percent / 100
	return o, o.check()
}

func (o Order) check() error {
	if _, known := describe(o.Kind); !known {
		var names []string
		for _, k := range kinds {
			names = append(names, string(k.Kind))
		}
		return fmt.Errorf("%w: %q is none of %s", ErrOrder, o.Kind, strings.Join(names, ", "))
	}
	if o.Delay < 0 || o.At < 0 || !(o.Chance >= 0 && o.Chance <= 1) {
		return fmt.Errorf("%w: %+v", ErrOrder, o)
	}
	return nil
}

// delay returns the duration of the fault.
func (o Order) delay() time.Duration {
	if o.Delay > 0 {
		return o.Delay
	}
	d, _ := describe(o.Kind)
	return d.Delay
}

// Injected is a fault that has happened.
type Injected struct {
	N       int // of the message, from 1
	Kind    Kind
	Message string // that it happened at
}

// Orders decides what goes wrong at which message, and keeps what did. It may
// be used by several goroutines.
type Orders struct {
	mu       sync.Mutex
	rand     *rand.Rand
	orders   []Order
	done     []bool // by index of orders
	decide   func(n int, message string) (Order, bool)
	injected []Injected
}

// NewOrders makes orders; chance, and what is changed in an answer, comes from
// the seed.
func NewOrders(seed uint64, orders ...Order) *Orders {
	return &Orders{
		rand: rand.New(rand.NewPCG(seed, 0x6f72646572)), orders: slices.Clone(orders), done: make([]bool, len(orders)),
	}
}

// Func has a function decide besides: it is asked at every message, with its
// number from 1, before anything of it is carried out.
func (o *Orders) Func(decide func(n int, message string) (Order, bool)) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.decide = decide
}

// Add orders more.
func (o *Orders) Add(orders ...Order) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.orders = append(o.orders, orders...)
	o.done = append(o.done, make([]bool, len(orders))...)
}

// Injected returns what has happened so far, in order.
func (o *Orders) Injected() []Injected {
	o.mu.Lock()
	defer o.mu.Unlock()
	return slices.Clone(o.injected)
}

func (o *Orders) check() error {
	if o == nil {
		return nil
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, x := range o.orders {
		if err := x.check(); err != nil {
			return err
		}
	}
	return nil
}

// fault is a fault that is to happen now.
type fault struct {
	Order
	index int // in orders; -1: of the function or by chance
}

// pick chooses what goes wrong at a message; at most one thing.
func (o *Orders) pick(n int, message string, can func(need) bool) (fault, bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	chosen, found := fault{index: -1}, false
	choose := func(x Order, index int) {
		d, known := describe(x.Kind)
		if !found && known && can(d.needs) {
			chosen, found = fault{x, index}, true
		}
	}
	if o.decide != nil {
		if x, yes := o.decide(n, message); yes {
			choose(x, -1)
		}
	}
	for i, x := range o.orders {
		switch {
		case x.At > 0:
			if n >= x.At && !o.done[i] {
				choose(x, i)
			}
		case o.rand.Float64() < x.Chance:
			choose(x, -1)
		}
	}
	return chosen, found
}

// happened records that a fault did happen.
func (o *Orders) happened(f fault, n int, message string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if f.index >= 0 {
		o.done[f.index] = true
	}
	o.injected = append(o.injected, Injected{n, f.Kind, message})
}

// draw gives f the orders' random source.
func (o *Orders) draw(f func(*rand.Rand)) {
	o.mu.Lock()
	defer o.mu.Unlock()
	f(o.rand)
}
