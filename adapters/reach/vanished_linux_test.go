package reach

import (
	"net"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// That the system goes by it was seen in a namespace where all packets are dropped.
func TestAVanishedPeerIsNoticed(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	conn, err := Dial(t.Context(), "tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	raw, err := conn.(*net.TCPConn).SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	var bound int
	failed := raw.Control(func(fd uintptr) { bound, err = unix.GetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT) })
	if failed != nil || err != nil || time.Duration(bound)*time.Millisecond != vanishedIn {
		t.Errorf("it is %d ms: %v, %v", bound, failed, err)
	}
}
