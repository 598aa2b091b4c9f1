// Package link is the contract between the bridge and an adapter: what every
// adapter promises, whatever it speaks.
//
// An adapter is a Link. Run keeps its connection up until the context ends and
// passes what comes in to the Host. Host.Accept returns when each message is on disk
// or refused with a reason; only then does the adapter confirm to its other side
// (PUBACK, SMTP's 250 or 5xx). If Accept returns an error nothing was stored, and
// nothing may be confirmed: the other side must try again.
//
// Send passes frames to the other side. A nil result means that the other side has
// taken the frame, not that a person or station has it: that says a receipt, which
// comes later through Accept.
//
// Differences between the kinds are data (Properties), so the bridge never asks "are
// you mail?". Adapters import this package, message and the pure packages, and neither
// each other nor the queue.
package link
