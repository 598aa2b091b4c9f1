// Package aprsis links posthouse to APRS-IS, the text network behind APRS.
//
// The adapter logs in with the gateway's call sign, asks the server for what the
// bridge wants (texts to stations heard by radio here, anything from stations that
// something is held for), and passes messages both ways under the network's published
// gating rules (gate.go). What goes out is built and checked in encode.go, the formats
// are in packet.go, text.go and position.go; these know no connection.
//
// Nothing is acknowledged here: an ack goes out as a message of kind receipt, once the
// bridge has the end-to-end receipt. If Accept fails the line is dropped; a sender that
// wants an ack repeats it.
//
// Outgoing text is ASCII, as the protocol reference demands. Incoming text is UTF-8, as
// is common; if it is not valid UTF-8 the bridge's rules refuse it and its writer is
// told. No charset is guessed, since a wrong guess would change somebody's words.
//
// APRS-IS is an open network: a passcode is no proof of identity, and whoever
// is connected can write under any call sign.
package aprsis
