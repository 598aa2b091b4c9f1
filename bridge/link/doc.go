// Package link is the contract between the bridge and an adapter: what every
// adapter promises, whatever it speaks.
//
// An adapter is a Link. Run keeps its connection up until the context ends and
// hands what comes in to the Host. Host.Accept returns only when each message
// is on disk or refused with a reason, and only then does the adapter confirm
// to its own side (PUBACK, SMTP's 250 or 5xx). When Accept returns an error,
// nothing was stored and nothing may be confirmed: the other side must try again.
//
// Send hands frames to the other side. A nil result says that the other side
// has taken the frame, not that a person or station has it: a receipt comes
// later, as a message of kind receipt through Accept.
//
// What the kinds differ in is data (Properties), so the bridge never asks "are
// you mail?". Adapters know this package, message and the pure packages, and
// neither each other nor the queue.
package link
