package mail

import (
	"fmt"
	"net"
	"strings"
	"sync/atomic"
	"testing"
)

// TestASmarthostThatNeverStopsTalking: an answer of many lines is one text to its
// reader, so its size is bounded.
func TestASmarthostThatNeverStopsTalking(t *testing.T) {
	for name, lines := range map[string]string{"in its greeting": "220-welcome\r\n", "in its answer to EHLO": "220 welcome\r\n250-EXTENSION\r\n"} {
		t.Run(name, func(t *testing.T) {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			defer l.Close()
			var said atomic.Int64
			hungUp := make(chan struct{})
			go func() {
				defer close(hungUp)
				conn, err := l.Accept()
				if err != nil {
					return
				}
				defer conn.Close()
				last := lines[strings.Index(lines, "\n")+1:]
				if last == "" {
					last = lines
				}
				fmt.Fprint(conn, lines)
				for again := []byte(strings.Repeat(last, 1000)); ; {
					n, err := conn.Write(again)
					if said.Add(int64(n)); err != nil {
						return
					}
				}
			}()
			o := testOptions()
			o.Smarthost, o.SmarthostTLS = l.Addr().String(), NoTLS
			g := startSender(t, o)
			<-hungUp
			if got, most := said.Load(), int64(maxAnswer+16<<20); got > most { // what lies in the buffers of both sides
				t.Errorf("it took %d bytes, want at most %d", got, most)
			}
			if !g.host.Wait(t.Context(), func() bool { return strings.Contains(fmt.Sprint(g.host.States()), errTalksOn.Error()) }) {
				t.Errorf("its states are %v", g.host.States())
			}
		})
	}
}
