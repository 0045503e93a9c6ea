//go:build !(linux || darwin || freebsd || netbsd || openbsd)

package card

// permission returns the remedy, in words, where the server may not open a
// device.
func permission(place string) string {
	return "This program may not open " + place + ": start it as a user who may"
}
