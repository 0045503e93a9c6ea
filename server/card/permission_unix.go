//go:build linux || darwin || freebsd || netbsd || openbsd

package card

import (
	"os"
	"os/user"
	"strconv"
	"syscall"
)

// permission returns the remedy, in words, where the server may not open a
// device.
func permission(place string) string {
	who := "the user that the server runs as"
	if u, err := user.Current(); err == nil {
		who = u.Username
	}
	group := "the group that owns it"
	if info, err := os.Stat(place); err == nil {
		if st, ok := info.Sys().(*syscall.Stat_t); ok {
			group = "group " + strconv.FormatUint(uint64(st.Gid), 10)
			if g, err := user.LookupGroupId(strconv.FormatUint(uint64(st.Gid), 10)); err == nil {
				group = "group " + g.Name
			}
		}
	}
	return "This program may not open " + place + ": add " + who + " to " + group + ", then sign in or start the server again"
}
