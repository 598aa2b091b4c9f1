// Package standin is a small APRS-IS server: for tests, and for a demonstration
// with nothing installed. It follows the published protocol as far as a gateway
// can see it, and refuses what a real server would: an unverified client's
// frames, broken lines, copies, loops, two logins under one call sign. It is
// alone on its network: nothing that enters here goes further.
//
// Any client may connect. For tests it also tells what came in (Seen, Wait), and fails
// on demand (Drop, Silence, Raw).
//
// The checks of frames are the adapter's own; those are tested against the
// published examples. Filters: m, r, p, b, g and t, also with a minus.
package standin
