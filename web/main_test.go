package web

import (
	"os"
	"testing"

	"ohmkeep/web/browsertest"
)

func TestMain(m *testing.M) {
	code := m.Run()
	browsertest.Stop()
	os.Exit(code)
}
