package derive

import (
	"ohmkeep/server/testkit"
)

// num is a number of a reference file.
type num = testkit.Num

var (
	load    = testkit.Load
	loadCSV = testkit.LoadCSV
	near    = testkit.Near
)

// columns splits [[y, x], ...] rows.
func columns(rows [][]num) (y, x []float64) {
	for _, r := range rows {
		y, x = append(y, float64(r[0])), append(x, float64(r[1]))
	}
	return y, x
}
