// Package web is the operator's desk: the control socket by which commands
// reach the running daemon, and the page with health and metrics.
//
// The socket lives in the data folder, open to root and the daemon's own user
// only; it speaks HTTP with small JSON bodies. The public listener shows health
// and metrics, which hold no call sign and no address and are open to everybody,
// and the page, which is not: on loopback everybody may read it, else it takes
// an operator's login, and so does every order. Both bound every request in size
// and time.
package web
