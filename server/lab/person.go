package lab

import "ohmkeep/store"

// Person is who asks for something. The zero Person is nobody.
type Person struct {
	Name string
	Role store.Role
	// Session tells two browsers of one person apart where a bench is held.
	Session string
}
