package protocol

import "testing"

func TestTree(t *testing.T) {
	if _, err := Tree(2); err != nil {
		t.Fatal(err)
	}
}
