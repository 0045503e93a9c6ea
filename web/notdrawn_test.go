package web

import (
	"strings"
	"testing"
)

// What stands in for a part has its id and its kind of element: else the
// browser would drop it, or never find the part's place again.
func TestNotDrawnKeepsThePlace(t *testing.T) {
	p := sampleRun()
	for _, id := range append(RunParts(&p.Record), PartBench, PartHomeWork) {
		lost := NotDrawn(id)
		if !strings.Contains(lost, `id="`+id+`"`) || !strings.Contains(lost, "could not be drawn") {
			t.Errorf("%s: %s", id, lost)
		}
		if part := RunPart(id, p); part != nil {
			if drawn := render(t, part); elementOf(drawn) != elementOf(lost) && (elementOf(drawn) == "tr" || elementOf(drawn) == "li" || elementOf(drawn) == "g") {
				t.Errorf("%s is a %s, in its place stands a %s", id, elementOf(drawn), elementOf(lost))
			}
		}
	}
}

func elementOf(html string) string {
	return strings.FieldsFunc(html, func(r rune) bool { return strings.ContainsRune("< >", r) })[0]
}
