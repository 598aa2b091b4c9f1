// Package aprsis links posthouse to APRS-IS, the text network behind APRS.
//
// The adapter logs in with the gateway's call sign, asks the server for what
// the bridge cares about (the stations heard by radio here, and those somebody
// waits for), and passes messages both ways under the network's published
// gating rules (gate.go). What goes out is built and checked in encode.go, the
// formats are in packet.go, text.go and position.go; these know no connection.
//
// Nothing is acknowledged here: an ack goes out as a message of kind receipt,
// once the bridge has the end-to-end receipt. When Accept fails, the line is
// dropped; a sender who wants an ack repeats it.
//
// Text is ASCII on the way out, as the protocol reference demands. On the way
// in it is UTF-8, as is common; what is not valid UTF-8 is refused by the bridge's
// rules, and its writer told: no charset is guessed, since a wrong guess puts words
// into somebody's mouth.
//
// APRS-IS is an open network: a passcode is no proof of identity, and whoever
// is connected can write under any call sign.
package aprsis
