// Package queue keeps every message on disk until its fate is known, and hands
// it to the links in the right order at the right time.
//
// A Store holds one Record a message with its Deliveries, one for each link it
// goes to. A Courier serves one link: it takes what is due, highest precedence
// first, carries it out through a function that the bridge gives it, and files
// the outcome. A dead link delays no other. Memory holds a window of the
// schedule; the schedule itself is on disk, so neither a million waiting nor a
// million finished slow a start.
package queue
