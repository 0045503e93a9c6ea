//go:build unix

package health

import (
	"math"
	"os"

	"golang.org/x/sys/unix"
)

// addressSpace is the limit of the process's address space (ulimit -v); the zero
// Memory where there is none, or the system does not tell what is used of it.
func addressSpace() Memory {
	var limit unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_AS, &limit); err != nil || uint64(limit.Cur) >= math.MaxInt64 {
		return Memory{}
	}
	pages := number(os.DirFS("/"), "proc/self/statm")
	if pages == 0 {
		return Memory{}
	}
	return Memory{Limit: uint64(limit.Cur), Left: less(uint64(limit.Cur), pages*uint64(os.Getpagesize())), Of: "its address space"}
}
