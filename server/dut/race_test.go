//go:build race

package dut

// raceSlowdown is how much longer the race detector may make a bounded time.
const raceSlowdown = 20
