// Package queue keeps every message on disk until its outcome is known, and gives
// it to the links in the right order at the right time.
//
// A Store holds one Record for each message, with a Delivery for each link that it
// takes. A Courier serves one link: it takes what is due, highest precedence first,
// has the bridge's Carrier send it, and files the outcome. A link that is down
// delays no other. The schedule is on disk, and memory holds only a window of it, so
// neither a million waiting nor a million finished messages slow a start.
//
//	store.go      what a store promises
//	record.go     a message, its deliveries and their states
//	op.go         checks and helpers for one op
//	share.go      a process's share of the work, if several share a queue
//	courier.go    serves one link
//	window.go     the part of its schedule that is in memory
//	load.go       how that is read from the store
//	choose.go     whose turn it is
//	addressee.go  one unacknowledged text for each addressee
//	delay.go      the wait until the next try
package queue
