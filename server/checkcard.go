package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/conformance"
	"ohmkeep/server/card/wire"
	"ohmkeep/server/cardinfo"
)

// checkCard is the subcommand that checks a card against the protocol.
type checkCard struct {
	address        string
	yes, raw, json bool
	anyway, anew   bool
	groups, paths  string
	options        conformance.Options
	in             io.Reader
	terminal       bool // a person can be asked
	out, notes     io.Writer
}

const checkCardUsage = `ohmkeep check-card [flags] ADDRESS

Holds a card against the protocol: every command, limit, error, time and the
watchdog. ADDRESS is tcp://host:port, host:port or serial:///dev/name?baud=115200.
Exit status: 0 nothing failed, 1 something did, 2 not begun.

`

// checkCardCommand checks the card at an address.
func checkCardCommand(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	c := checkCard{in: os.Stdin, out: stdout, notes: stdout}
	if info, err := os.Stdin.Stat(); err == nil {
		c.terminal = info.Mode()&os.ModeCharDevice != 0
	}
	if err := c.parse(args, stderr); err != nil {
		return err
	}
	if c.json {
		c.notes = stderr
	}
	return c.run(ctx)
}

func (c *checkCard) parse(args []string, stderr io.Writer) error {
	fs := newFlags("ohmkeep check-card", stderr)
	fs.Usage = func() {
		_, _ = io.WriteString(stderr, checkCardUsage)
		fs.PrintDefaults()
	}
	fs.BoolVar(&c.yes, "yes", false, "do not ask before it begins")
	fs.BoolVar(&c.raw, "v", false, "show the raw exchange of every point, not only of those that fail")
	fs.BoolVar(&c.json, "json", false, "write all findings as one JSON document")
	fs.BoolVar(&c.anyway, "anyway", false, "go on where an output is on or a path is closed: the card is reset first")
	fs.BoolVar(&c.anew, "restart", false, "ask a person to switch the card off and on, and look what it says then")
	fs.BoolVar(&c.options.Echo, "echo", false, "the card sends back what it is sent")
	fs.DurationVar(&c.options.Timeout, "timeout", time.Second, "how much longer than its own time an answer may take before it is given up")
	fs.DurationVar(&c.options.Watchdog, "watchdog", 0, "what the card's watchdog must be (default: what *OPT? says)")
	fs.DurationVar(&c.options.SwitchTime, "switch", 50*time.Millisecond, "how long paths take to open or to close")
	fs.StringVar(&c.groups, "group", "", "only these groups, separated by commas: "+strings.Join(conformance.Groups(), ", "))
	fs.StringVar(&c.paths, "paths", "", "paths to use, line!contact separated by commas, 0 for the return (default: what it knows of contacts 1 and 2 of each line)")
	// The address may stand before the flags or after them.
	if len(args) > 0 && !strings.HasPrefix(args[0], "-") {
		args = append(slices.Clone(args[1:]), args[0])
	}
	if err := fs.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return err
		}
		return usageError{err}
	}
	if fs.NArg() != 1 {
		return usageError{errors.New("ohmkeep check-card: name one address, such as tcp://127.0.0.1:5025")}
	}
	c.address = fs.Arg(0)
	if !strings.Contains(c.address, "://") {
		c.address = "tcp://" + c.address
	}
	return c.understand()
}

// understand parses the texts of flags into options.
func (c *checkCard) understand() error {
	if c.options.Timeout <= 0 || c.options.Watchdog < 0 || c.options.SwitchTime <= 0 {
		return usageError{errors.New("ohmkeep check-card: times must be above 0")}
	}
	if c.groups != "" {
		c.options.Groups = strings.Split(c.groups, ",")
	}
	for _, g := range c.options.Groups {
		if !slices.Contains(conformance.Groups(), g) {
			return usageError{fmt.Errorf("ohmkeep check-card: there is no group %q; there are %s", g, strings.Join(conformance.Groups(), ", "))}
		}
	}
	if c.paths != "" {
		for item := range strings.SplitSeq(c.paths, ",") {
			p, err := conformance.ParsePath(item)
			if err != nil {
				return usageError{fmt.Errorf("ohmkeep check-card: %w", err)}
			}
			c.options.Paths = append(c.options.Paths, p)
		}
	}
	if _, err := bench.ParseAddress(c.address); err != nil {
		return usageError{fmt.Errorf("ohmkeep check-card: %w", err)}
	}
	c.options.Anyway = c.anyway
	return nil
}

// run asks whether to begin, goes through the check and tells what it found.
func (c *checkCard) run(ctx context.Context) error {
	if err := c.agree(); err != nil {
		return err
	}
	o := &c.options
	o.Connection, o.Log = c.address, wire.NewLog(4<<20)
	a, err := bench.ParseAddress(c.address)
	if err != nil {
		return usageError{err}
	}
	dial := wire.DialerOf(a)
	if o.Baud = a.Baud; a.Network == "tcp" {
		o.Dial = dial
	}
	line, stream, err := c.connect(ctx, dial)
	if err != nil {
		return err
	}
	o.Stream = stream
	lines := []*wire.Line{line}
	defer func() {
		for _, l := range lines {
			_ = l.Close() // whatever was to be said has been
		}
	}()
	if c.anew && c.terminal {
		o.Restart = func(ctx context.Context) (*wire.Line, io.Writer, error) {
			again, stream, err := c.restart(ctx, lines[len(lines)-1], dial)
			if err == nil {
				lines = append(lines, again)
			}
			return again, stream, err
		}
	}
	r := report{checkCard: c}
	err = conformance.Run(ctx, line, *o, r.found)
	return r.end(err)
}

// agree announces what is going to happen and asks a person to say yes.
func (c *checkCard) agree() error {
	fmt.Fprintf(c.notes, "The card at %s is going to be held against the protocol.\n\n", c.address)
	for _, words := range conformance.Cautions() {
		fmt.Fprintf(c.notes, "  - %s\n", words)
	}
	fmt.Fprintln(c.notes)
	if c.yes {
		return nil
	}
	if !c.terminal {
		return usageError{errors.New("ohmkeep check-card: nobody is here to be asked; with -yes it begins without asking")}
	}
	fmt.Fprint(c.notes, "Is the socket empty, and may it begin? Type yes: ")
	answer, _ := bufio.NewReader(c.in).ReadString('\n') // nothing is no yes
	if strings.TrimSpace(answer) != "yes" {
		return usageError{errors.New("ohmkeep check-card: not begun")}
	}
	return nil
}

func (c *checkCard) connect(ctx context.Context, dial wire.Dialer) (*wire.Line, io.Writer, error) {
	const patience = 10 * time.Second
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	stream, err := dial(ctx)
	if err != nil {
		return nil, nil, err
	}
	o := &c.options
	return wire.NewLine(stream, wire.Options{Connection: o.Connection, Log: o.Log, Echo: o.Echo, Timeout: max(o.Timeout, 5*time.Second)}), stream, nil
}

// restart asks a person to switch the card off and on, and connects again.
func (c *checkCard) restart(ctx context.Context, line *wire.Line, dial wire.Dialer) (*wire.Line, io.Writer, error) {
	_ = line.Close()
	fmt.Fprint(c.notes, "\nSwitch the card off and on again, wait until it is up, and press Enter: ")
	pressed := make(chan struct{})
	go func() {
		_, _ = bufio.NewReader(c.in).ReadString('\n')
		close(pressed)
	}()
	select {
	case <-pressed:
		return c.connect(ctx, dial)
	case <-ctx.Done():
		return nil, nil, ctx.Err()
	}
}

// report is the writer of findings, as they come.
type report struct {
	*checkCard
	group    string
	findings []cardinfo.Finding
	counts   map[cardinfo.Verdict]int
}

func (r *report) found(f cardinfo.Finding) {
	if r.counts == nil {
		r.counts = map[cardinfo.Verdict]int{}
	}
	r.counts[f.Verdict]++
	if r.json {
		r.findings = append(r.findings, f)
		return
	}
	if f.Group != r.group {
		r.group = f.Group
		fmt.Fprintf(r.out, "%s\n", f.Group)
	}
	fmt.Fprintf(r.out, "  %-8s%s\n", f.Verdict, f.Title)
	if f.Verdict == cardinfo.Fail {
		fmt.Fprintf(r.out, "          expected  %s\n          came      %s\n", f.Expected, f.Came)
	} else if f.Verdict == cardinfo.Skipped || r.raw {
		fmt.Fprintf(r.out, "          %s\n", f.Came)
	}
	if f.Verdict == cardinfo.Fail || r.raw {
		r.exchange(f.Events)
	}
}

// exchange writes the traffic of a finding, with the time since the first of
// it.
func (r *report) exchange(events []cardinfo.Event) {
	marks := map[cardinfo.Direction]string{cardinfo.Out: ">", cardinfo.In: "<", cardinfo.Note: "-"}
	for _, e := range events {
		text := fmt.Sprintf("%q", e.Bytes)
		if e.Dir == cardinfo.Note {
			text = string(e.Bytes)
		}
		fmt.Fprintf(r.out, "          %9.3f ms %s %s\n", float64(e.At.Sub(events[0].At).Microseconds())/1e3, marks[e.Dir], text)
	}
}

// end writes the summary. Its error is the check's own, or that points failed.
func (r *report) end(err error) error {
	pass, fail, skipped := r.counts[cardinfo.Pass], r.counts[cardinfo.Fail], r.counts[cardinfo.Skipped]
	if r.json {
		doc := struct {
			Address  string             `json:"address"`
			Passed   int                `json:"passed"`
			Failed   int                `json:"failed"`
			Skipped  int                `json:"skipped"`
			Error    string             `json:"error,omitempty"`
			Findings []cardinfo.Finding `json:"findings"`
		}{Address: r.address, Passed: pass, Failed: fail, Skipped: skipped, Findings: r.findings}
		if err != nil {
			doc.Error = err.Error()
		}
		enc := json.NewEncoder(r.out)
		enc.SetIndent("", "  ")
		err = errors.Join(err, enc.Encode(doc))
	} else {
		fmt.Fprintf(r.out, "\n%d passed, %d failed, %d skipped\n", pass, fail, skipped)
	}
	if err == nil && fail > 0 {
		err = fmt.Errorf("the card does not keep to the protocol: %d of %d points failed", fail, pass+fail)
	}
	return err
}
