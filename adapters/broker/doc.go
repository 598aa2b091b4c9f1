// Package broker joins what speaks MQTT 3.1.1 (OASIS standard, 2014) to the
// bridge. Its link kinds are Mesh, a local radio mesh whose nodes publish JSON and
// are told what to transmit, and the trunk (NewTrunk), on which gateways publish
// to each other what package envelope signs.
//
// A link is made of two halves that know nothing of each other:
//
//   - a transport moves payloads and keeps the promise of confirmation. session
//     is the client of somebody's broker (_BROKER_URL), server is the built-in
//     broker (_BROKER_LISTEN).
//   - a codec turns payloads into messages and frames into payloads, without I/O.
//
// What came in is confirmed (PUBACK) only after it is on disk or refused. When
// it could not be kept, nothing is confirmed and the connection is made anew,
// since MQTT sends an unconfirmed message again only then (section 4.4). What
// goes out counts as taken when its PUBACK is there, and is never in the air
// twice at a time.
//
// A payload that cannot be read is counted, confirmed and forgotten: left
// unconfirmed, it would come for ever and stop what is behind it.
package broker
