//go:build race

package run

// raced is true where the race detector is on, which slows everything down.
const raced = true
