// Package adaptertest is the suite that every adapter passes: the promises of
// package link, each as a test case with the promise as its name.
//
// An adapter's test file brings a Kit: how to make a link together with a Peer,
// the far side of its medium (a small server, or a real one), and what the
// medium can do. What a medium cannot do is a nil function or a false flag, and
// the cases that need it are skipped with a clear word. Everything else runs
// always.
//
// The suite uses real time and real sockets. Where it looks that something does
// not happen, it looks for a short while (quiet): an adapter that breaks the
// promise late may slip through, one that keeps it never fails.
package adaptertest
