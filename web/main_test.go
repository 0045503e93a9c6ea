package web

import (
	"os"
	"testing"
)

func TestMain(m *testing.M) {
	code := m.Run()
	_, stop := browser()
	stop() // ends the browser, where a test has started it
	os.Exit(code)
}
