//go:build !unix

package health

import "errors"

// DiskOf cannot tell on this system.
func DiskOf(string) (free, total uint64, err error) {
	return 0, 0, errors.New("this system does not tell")
}
