//go:build !(linux || darwin || freebsd || netbsd || openbsd)

package card

// permission says what lets the server open a device.
func permission(place string) string {
	return "This program may not open " + place + ": start it as a user who may"
}
