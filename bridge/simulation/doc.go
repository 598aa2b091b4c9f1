// Package simulation runs a whole network in one process under virtual time:
// gateways with their real bridge, queue and store, and around them meshes with
// their stations, a trunk, mail servers and an APRS network, all in memory. Links
// lose, double and reorder; brokers restart; power is cut in the middle of a
// write; disks are full, clocks wrong, stations roam, peers lie.
//
// Everything follows from one seed, and the same seed gives the same story again,
// to the nanosecond. What the network does to a frame is a hash of the seed and of
// what the frame says, never the next number of a common stream. And what crosses
// the edge of a gateway (a frame in or out, a call of its store, what that tells) waits for
// its turn (turns), so that it does not matter which goroutine the scheduler prefers.
//
// A ledger writes down what crosses the outer edges: what stations, brokers and
// mail servers gave and got, what was confirmed to whom. When all has come to
// rest, a judge compares that with what must always hold (DEVELOPERS.md). It never
// asks a gateway to excuse itself.
//
//	go test ./bridge/simulation -seeds 10000 -from 1   # as many as you like
//	go test ./bridge/simulation -seed 42 -v            # one again, with its story
package simulation
