//go:build !unix

package health

// addressSpace cannot be told on this system.
func addressSpace() Memory { return Memory{} }
