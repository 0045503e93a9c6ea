//go:build !race

package run

const raced = false
