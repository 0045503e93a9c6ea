package storetest

import "syscall"

// free returns how many bytes a file system has for more files, 0 where there is
// no such directory.
func free(dir string) uint64 {
	var s syscall.Statfs_t
	if err := syscall.Statfs(dir, &s); err != nil || s.Bsize <= 0 {
		return 0
	}
	return s.Bavail * uint64(s.Bsize)
}
