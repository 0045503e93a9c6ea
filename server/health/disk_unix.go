//go:build unix

package health

import "golang.org/x/sys/unix"

// DiskOf returns the room on the disk that a directory is on, bytes: what is free
// for this program, and all.
func DiskOf(dir string) (free, total uint64, err error) {
	var at unix.Statfs_t
	if err := unix.Statfs(dir, &at); err != nil {
		return 0, 0, err
	}
	return uint64(at.Bavail) * uint64(at.Bsize), uint64(at.Blocks) * uint64(at.Bsize), nil
}
