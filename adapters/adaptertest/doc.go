// Package adaptertest is the suite that every adapter passes: the promises of
// package link, each as a test case with the promise as its name.
//
// An adapter's test file supplies a Kit: how to make a link together with a Peer,
// the far side of its medium (a small server, or a real one), and what the medium
// can do. What it cannot do is a nil function or a false flag, and the cases that
// need it are skipped with the reason. All others always run.
//
// The suite uses real time and real sockets. To check that something does not happen
// it waits for a short time (quiet): an adapter that breaks the promise later may
// pass, one that keeps it never fails.
package adaptertest
