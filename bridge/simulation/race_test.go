//go:build race

package simulation

// withRace is set when the race detector watches, which makes a run take several
// times as long.
const withRace = true
