// Package broker connects the bridge to what speaks MQTT 3.1.1 (OASIS standard,
// 2014). Its link kinds are Mesh, a local radio mesh whose node publishes JSON and
// transmits what it gets, and the trunk (NewTrunk), on which gateways publish to
// each other what package envelope signs.
//
// A link has two halves that are independent of each other:
//
//   - a transport moves payloads and confirms them. session is a client of an
//     external broker (_BROKER_URL), server is the built-in broker (_BROKER_LISTEN).
//   - a codec turns payloads into messages and frames into payloads, without I/O.
//
// An incoming publish is confirmed (PUBACK) only after it is on disk or refused. If
// it cannot be stored, nothing is confirmed and the link reconnects, since only then
// does MQTT send an unconfirmed message again (section 4.4). An outgoing publish
// counts as taken when its PUBACK has come, and is never under way twice at a time.
//
// A payload that cannot be read is counted and confirmed: without a PUBACK it would
// come again for ever, and block what comes after it.
package broker
