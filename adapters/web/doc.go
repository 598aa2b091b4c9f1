// Package web is the operator's desk: the control socket by which commands
// reach the running daemon, and the page with health and metrics.
//
// The socket is in the data folder, open to root and the daemon's own user only; it
// speaks HTTP with small JSON bodies. The public listener serves health and metrics,
// which contain no call sign and no address and are open to everybody, and the page:
// reading that needs an operator's login except on loopback, acting always does. Both
// limit the size and time of every request.
package web
