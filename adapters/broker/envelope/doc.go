// Package envelope signs and checks what gateways publish to each other over a
// trunk. It does no I/O.
//
// What travels is one CloudEvents 1.0 event in the JSON format, signed as a JWS
// in the flattened JSON serialisation (RFC 7515 section 7.2.2) with an unencoded
// payload (RFC 7797) and EdDSA over Ed25519 (RFC 8037). Anyone can read it, and
// only the holder of the gateway's key can have written it:
//
//	{"payload":"{\"specversion\":\"1.0\", … }","protected":"eyJ…","signature":"…"}
//
// The payload is a JSON string. The signed bytes are
//
//	ASCII(BASE64URL(protected header)) || "." || the payload
//
// where the payload is the UTF-8 form of that string's value, after its JSON
// escapes have been undone. It is never parsed and written again before the
// signature is checked, so how the outer object is spelt does not matter.
//
// The protected header is {"alg":"EdDSA","b64":false,"crit":["b64"],"kid":CALL};
// kid is the call sign of the gateway that publishes, and equals the event's
// source. A text also carries the public key (jwk): a receiver that believes any
// gateway can check it, one with a list never looks at it. It is in the
// protected header since nobody vouches for the other one, which is refused.
// The event's attributes:
//
//	specversion  1.0
//	type         posthouse.text.v1 and so on, the Type constants
//	source       the call sign of the gateway that publishes
//	id           the event's id at that gateway, the same at every resend
//	topic        the topic it is published on, root included: the recipient. A
//	             copy on another topic is no event
//	sequence     16 digits: a number that grows with every event that the key
//	             signs, max(last + 1, Unix milliseconds); a resend is signed anew
//	time         when it was signed, and
//	expirytime   when it is worth nothing any more, RFC 3339; or, from a gateway
//	             that does not trust its clock,
//	lifetime     the seconds that are left, and neither of the two
//	data         the Body
//
// Names of members are a to z, 0 to 9 and underscores, none occurs twice in an
// object, unknown ones are ignored. An event has at most 64 KiB on the wire.
//
// Open checks all of it but the number: the receiver does that with a Window
// per key, kept together with what it accepts.
package envelope
