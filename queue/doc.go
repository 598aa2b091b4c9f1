// Package queue keeps every message on disk until its fate is known, and hands
// it to the links in the right order at the right time.
//
// A Store holds one Record a message with its Deliveries, one for each link it
// goes to. A Courier serves one link: it takes what is due, highest precedence
// first, carries it out through a function that the bridge gives it, and files
// the outcome. A dead link delays no other. Memory holds a window of the
// schedule; the schedule itself is on disk, so neither a million waiting nor a
// million finished slow a start.
//
//	store.go      what a store promises
//	record.go     a message, its deliveries and their states
//	op.go         one step of what is asked of a store
//	share.go      a process's part, where several share a queue
//	courier.go    serves one link
//	window.go     the part of its schedule that is in memory
//	load.go       how that is read from the store
//	choose.go     whose turn it is
//	addressee.go  one unacknowledged text for each addressee
//	delay.go      how long it is until the next try
package queue
