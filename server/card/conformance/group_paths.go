package conformance

import "strings"

func pathPoints() []point {
	const group = "paths"
	const closed = "ROUT:CLOS:STAT?"
	one := func(title string, steps ...step) point { return point{group: group, title: title, steps: steps} }
	each := func(title string, steps ...step) point {
		return point{group: group, title: title, each: true, steps: steps}
	}
	return []point{
		each("a path is closed and opened",
			carried("ROUT:CLOS (@{path})"), ask(closed, is("(@{path})")), ask("ROUT:CLOS? (@{path})", is("1")),
			carried("ROUT:OPEN (@{path})"), ask(closed, is("(@)")), ask("ROUT:CLOS? (@{path})", is("0"))),
		one("several paths are closed, and listed in ascending order",
			carried("ROUT:CLOS {two}"), ask(closed, is("{twosorted}")), ask("ROUT:CLOS? {two}", is("1,1")),
			carried("ROUT:OPEN (@{return})"), ask(closed, is("(@{path})")), ask("ROUT:CLOS? {two}", is("1,0")),
			carried("ROUT:CLOS (@{return})"), ask(closed, is("{twosorted}"))),
		one("ROUTe:OPEN:ALL opens all", carried("ROUT:CLOS {two}"), carried("ROUT:OPEN:ALL"), ask(closed, is("(@)")), carried("ROUT:OPEN:ALL")),
		one("a path that is closed already stays closed", carried("ROUT:CLOS (@{path})"), carried("ROUT:CLOS (@{path})"), ask(closed, is("(@{path})"))),
		one("a path that is open already stays open", carried("ROUT:OPEN (@{path})"), ask(closed, is("(@)"))),
		each("a path whose multiplexer is taken is not closed",
			carried("ROUT:CLOS (@{path})"), exclusive("ROUT:CLOS (@{rival})"), ask(closed, is("(@{path})")),
			carried("ROUT:OPEN (@{path})"), carried("ROUT:CLOS (@{rival})"), ask(closed, is("(@{rival})"))),
		one("of two paths that exclude each other none is closed",
			exclusive("ROUT:CLOS (@{path},{rival})"), ask(closed, is("(@)"))),
		one("where one path of a list cannot be closed none is",
			carried("ROUT:CLOS (@{path})"), exclusive("ROUT:CLOS (@{return},{rival})"), ask(closed, is("(@{path})"))),
		one("an unknown path is refused, and nothing is switched",
			refused("ROUT:CLOS (@{nowhere})", -222), refused("ROUT:CLOS (@{path},{nowhere})", -222), ask(closed, is("(@)")),
			carried("ROUT:CLOS (@{path})"), refused("ROUT:OPEN (@{path},{nowhere})", -222), refused("ROUT:CLOS? (@{nowhere})", -222), ask(closed, is("(@{path})"))),
		one("an empty list is refused", needPaths(), refused("ROUT:CLOS (@)", -171), ask(closed, is("(@)"))),
	}
}

// needPaths skips a point on a card without paths.
func needPaths() step {
	return do("", func(t *trial) (string, error) {
		_, err := t.values.fill("{nowhere}")
		return "", err
	})
}

// exclusive sends what must be refused because a multiplexer is taken. Where
// the multiplexers are not known, a card that takes it may be right.
func exclusive(message string) step {
	s := refused(message, -221)
	return step{s.words, func(t *trial) (string, error) {
		if !t.card.learned {
			return s.do(t)
		}
		if err := t.tell(message); err != nil {
			return "", err
		}
		err := t.errorsAre()
		if err == nil {
			return "", skip("the card closes both; whether they share a multiplexer only the bench's definition says")
		}
		if !strings.HasPrefix(err.Error(), `-221,"Settings conflict`) {
			return "", err
		}
		return "-221", nil
	}}
}
