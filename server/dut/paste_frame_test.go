package dut

import "testing"

// Outer pipes belong to a table, not to a line: a line of a table without them may
// begin with a pipe because its first column is empty, and end with one.
func TestOuterPipesAreOfTheTable(t *testing.T) {
	for _, text := range []string{
		"Type|Description|Pin|Name|Imax (mA)|Min V\nI||1|A1||\n|clock input|2|B2|20|\n",
		"|Type|Description|Pin|Name|Imax (mA)|Min V|\n|---|---|---|---|---|---|\n|I||1|A1|||\n||clock input|2|B2|20||\n",
	} {
		got := ParsePinTable(text)
		pins := got.Pins()
		if len(pins) != 2 || pins[0].Name != "A1" || pins[1].Name != "B2" || pins[1].MaxI != 0.02 {
			t.Errorf("%+v of\n%s", got, text)
		}
	}
}
