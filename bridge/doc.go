// Package bridge is the way of one message through the gateway, a file a step:
//
//	accept.go    what comes in is normalised, identified, checked, routed and stored
//	address.go   whom it is for, when a phone could not say it
//	heard.go     who was heard where; what waited for a station is let go
//	carry.go     a courier's choice is fitted, sent, and its outcome filed
//	receipt.go   an acknowledgement finds its message, and goes back to the writer
//	tell.go      who wrote hears what became of it
//	expire.go    lifetimes end, held messages are told of, old ones are purged
//	far.go       which far gateways are alive, and whom they hear
//	sibling.go   several gateways of one mesh: one transmits, the others keep shadows
//	custody.go   a far gateway takes a message over, and tells what became of it
//	control.go   what the operator can do while it runs
//	operate.go   what the operator can do with one message of the queue
//	exercise.go  an exercise begins and ends
//	logbook.go   what waits, what became of each message, who was heard
//	view.go      a record as the desk shows it
//	journal.go   each transmission in a file a day
//
// The bridge promises: what Accept took over is on disk, and is then delivered,
// or its failure is on record and its writer was told. It leaves the media to
// the adapters, the schedule to the queue, and every judgement to the pure
// packages rules, route, fit and airtime.
package bridge
