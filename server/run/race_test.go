//go:build race

package run

// raced says that the race detector slows everything down.
const raced = true
