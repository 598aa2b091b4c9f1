package web

import (
	"context"
	"net"
	"net/http"
	"os/user"
	"regexp"
	"strconv"
)

// behalfHeader names the person on whose behalf a command runs as another user:
// whom sudo(8) lets in is root on the socket, and the log should say who it was.
// It is believed because root and the daemon's own user alone may connect.
const behalfHeader = "Posthouse-Behalf"

// loginName is a user's name as passwd(5) systems have it; anything else is not put
// into a log.
var loginName = regexp.MustCompile(`^[A-Za-z0-9_][A-Za-z0-9_.-]{0,31}$`)

// peerConn is a connection of which is known which user is at its other end.
type peerConn struct {
	net.Conn
	uid int
}

// peerKey is where a request's context has the name of the socket's peer.
type peerKey struct{}

// withPeer puts the peer's name into the context of a connection's requests.
func withPeer(ctx context.Context, c net.Conn) context.Context {
	if p, ok := c.(*peerConn); ok {
		return context.WithValue(ctx, peerKey{}, userName(p.uid))
	}
	return ctx
}

// userName gives a user's name, its number when it has none here.
func userName(uid int) string {
	if u, err := user.LookupId(strconv.Itoa(uid)); err == nil && loginName.MatchString(u.Username) {
		return u.Username
	}
	return "uid " + strconv.Itoa(uid)
}

// asker tells who sent a command, for the log: "root", or "anna as root".
func asker(r *http.Request) string {
	name, _ := r.Context().Value(peerKey{}).(string)
	if behalf := r.Header.Get(behalfHeader); loginName.MatchString(behalf) && behalf != name {
		return behalf + " as " + name
	}
	return name
}
