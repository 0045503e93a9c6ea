package card

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"ohmkeep/server/bench"
)

// longestAperture is the longest aperture that a card is asked for in one
// reading.
const longestAperture = time.Hour

// group is the channels that are read on one connection.
type group struct {
	conn  *conn
	which []int // of the channels asked for
	index []int // of the same in the connection's layout
	from  []*channel
	taken []taken
}

// Read integrates the named channels together over the aperture. All
// connections are asked at once. A reading that did not come, or cannot be
// believed, is taken once more after it is sure that the cards are as they
// were set; whatever else goes wrong is an error.
func (l *Link) Read(ctx context.Context, ids []bench.ChannelID, aperture time.Duration, dst []bench.Sample) ([]bench.Sample, error) {
	began := l.safes.Load()
	if aperture <= 0 || aperture > longestAperture {
		return dst, fmt.Errorf("card: the aperture must be above 0 and at most %v, not %v", longestAperture, aperture)
	}
	groups, err := l.grouped(ids)
	if err != nil || len(ids) == 0 {
		return dst, err
	}
	err = l.readAll(ctx, began, groups, aperture)
	var doubt *doubtful
	if errors.As(err, &doubt) {
		if err = l.readAgain(ctx, began, groups, aperture, err); err != nil {
			l.disown(groups)
		}
	}
	if err != nil {
		return dst, err
	}
	now := l.clock.Now()
	n := len(dst)
	dst = slices.Grow(dst, len(ids))[:n+len(ids)]
	for i := range groups {
		for k, which := range groups[i].which {
			dst[n+which] = groups[i].taken[k].sample
			dst[n+which].At = now
		}
	}
	return dst, nil
}

// grouped sorts the channels to be read by their connections.
func (l *Link) grouped(ids []bench.ChannelID) ([]group, error) {
	groups := l.groups[:0]
	for i, id := range ids {
		a, err := l.channel(id)
		if err != nil {
			return nil, err
		}
		k := slices.IndexFunc(groups, func(g group) bool { return g.conn == a.conn })
		if k < 0 {
			k = len(groups)
			groups = slices.Grow(groups, 1)[:k+1]
			groups[k].conn, groups[k].which, groups[k].index = a.conn, groups[k].which[:0], groups[k].index[:0]
		}
		groups[k].which = append(groups[k].which, i)
		groups[k].index = append(groups[k].index, a.index)
	}
	l.groups = groups
	return groups, nil
}

// readAll reads once. The error is doubtful only where nothing worse went wrong
// on any connection.
func (l *Link) readAll(ctx context.Context, began int64, groups []group, aperture time.Duration) error {
	if len(groups) == 1 {
		return groups[0].read(ctx, began, aperture)
	}
	conns := make([]*conn, len(groups))
	errs := make([]error, len(groups))
	for i := range groups {
		conns[i] = groups[i].conn
	}
	err := l.each(conns, func(i int, _ *conn) error {
		errs[i] = groups[i].read(ctx, began, aperture)
		return errs[i]
	})
	for _, one := range errs {
		var doubt *doubtful
		if one != nil && !errors.As(one, &doubt) {
			// Joined, the errors would pass for doubtful.
			return one
		}
	}
	return err
}

// readAgain reads once more, where every card is as it was set.
func (l *Link) readAgain(ctx context.Context, began int64, groups []group, aperture time.Duration, why error) error {
	for i := range groups {
		c := groups[i].conn
		err := c.do(ctx, began, func(ctx context.Context, s *session) error {
			c.note("a reading is taken again: %v", why)
			return c.regain(ctx, s)
		})
		if err != nil {
			return fmt.Errorf("%w (after %w)", err, why)
		}
	}
	if err := l.readAll(ctx, began, groups, aperture); err != nil {
		return fmt.Errorf("%w (for the second time, after %w)", err, why)
	}
	return nil
}

func (l *Link) disown(groups []group) {
	for i := range groups {
		if s := groups[i].conn.session(); s != nil {
			groups[i].conn.disown(s)
		}
	}
}

// read reads the channels of one connection.
func (g *group) read(ctx context.Context, began int64, aperture time.Duration) error {
	c := g.conn
	return c.do(ctx, began, func(ctx context.Context, s *session) error {
		g.from = g.from[:0]
		for _, k := range g.index {
			g.from = append(g.from, &s.channels[k])
		}
		if err := c.setAperture(ctx, s, g.from, aperture); err != nil {
			return err
		}
		err := g.take(ctx, s, aperture)
		if err == nil && !c.say.tellsState() && time.Since(s.asked) >= c.beat() {
			err = g.enquire(ctx, s)
		}
		if isOfTheLine(err) && ctx.Err() == nil {
			return &doubtful{err}
		}
		return err
	})
}

// enquire asks a card whose readings do not tell how it is, as the keep-alive
// does, which is kept from it by readings that follow each other closely.
func (g *group) enquire(ctx context.Context, s *session) error {
	c := g.conn
	s.asked = time.Now()
	var said CardErrors
	err := c.confirm(ctx, s, "", settingTime)
	if errors.As(err, &said) && said.ofTheLine() {
		c.note("%v: something was spoilt on its way", said)
		err = nil
	}
	for i := 0; err == nil && i < len(g.index); i++ {
		err = c.compareOne(ctx, s, g.index[i])
	}
	return err
}

// setAperture sets the aperture of the channels that have another one.
func (c *conn) setAperture(ctx context.Context, s *session, from []*channel, aperture time.Duration) error {
	var numbers []int
	for _, ch := range from {
		if ch.aperture != aperture {
			numbers = append(numbers, ch.number)
		}
	}
	if numbers == nil {
		return nil
	}
	message, err := c.say.apertures(numbers, aperture)
	if err == nil && message != "" {
		err = c.confirm(ctx, s, message, settingTime)
	}
	if err != nil {
		return err
	}
	if !strings.Contains(c.say.Aperture, "{channel}") {
		for i := range s.channels { // one setting holds for all
			s.channels[i].aperture = 0
		}
	}
	for _, ch := range from {
		ch.aperture = aperture
	}
	return nil
}

// take sends the readings' query and checks the answers.
func (g *group) take(ctx context.Context, s *session, aperture time.Duration) error {
	c := g.conn
	numbers := make([]int, 0, len(g.from))
	for _, ch := range g.from {
		numbers = append(numbers, ch.number)
	}
	messages, each, err := c.say.reads(numbers)
	if err != nil {
		return err
	}
	g.taken = g.taken[:0]
	for i, message := range messages {
		answer, err := c.ask(ctx, s, message, aperture+readingTime)
		if err != nil {
			return err
		}
		s.room, g.taken, err = c.say.parse(answer, g.from[i*each:(i+1)*each], s.room, g.taken)
		if err != nil {
			c.countGarbled()
			return &Error{Connection: c.def.Name, What: err.Error(), Remedy: c.remedyOfNoise(), Err: err}
		}
		s.read.Store(true)
	}
	return g.judge(ctx, s)
}

// judge looks for signs of a changed or restarted card in readings.
func (g *group) judge(ctx context.Context, s *session) error {
	c := g.conn
	var wrong error
	errorsThere := false
	for k := range g.taken {
		t := &g.taken[k]
		errorsThere = errorsThere || t.hasStatus && t.status&statusErrors != 0
		if wrong == nil {
			wrong = t.asSet(g.from[k])
		}
	}
	if wrong == nil && !errorsThere {
		return nil
	}
	said, err := c.collect(ctx, s)
	if err != nil && (wrong == nil || errors.Is(err, ErrRestarted)) {
		return err
	}
	if wrong != nil {
		return c.changedBy(wrong, said)
	}
	if said.ofTheLine() {
		c.note("%v: something was spoilt on its way", said)
		return c.compare(ctx, s)
	}
	// The reading is what it is; but the card has something to report, which
	// ends whatever is at work.
	for _, one := range said {
		c.link.report(int(one.Code), c.def.Name+": the card reported "+one.Text)
	}
	c.note("%v", said)
	return nil
}
