// Package cardinfo holds the types that describe cards to the store and the
// pages: traffic on the wire, the health of a connection, findings of a check,
// and the reference of the protocol. It has no behaviour of its own, so that
// neither store nor pages depend on the link.
package cardinfo
