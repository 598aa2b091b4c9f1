package reach

import (
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// endWhenVanished bounds for how long data may be sent without being acknowledged (RFC 5482,
// tcp(7)): keep-alive probes see nothing while there is such data. Where the system knows no
// such bound its own holds.
func endWhenVanished(_, _ string, conn syscall.RawConn) error {
	return conn.Control(func(fd uintptr) {
		_ = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(vanishedIn/time.Millisecond))
	})
}
