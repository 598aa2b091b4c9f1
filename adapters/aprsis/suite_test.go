package aprsis_test

import (
	"log/slog"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"posthouse/adapters/adaptertest"
	"posthouse/adapters/aprsis"
	"posthouse/adapters/aprsis/standin"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

const (
	gateway = "N0QRA-10"
	nearby  = "N0QRC-7" // on a mesh here
	distant = "N0QRB-9" // on APRS
)

func TestSuite(t *testing.T) {
	adaptertest.Run(t, adaptertest.Kit{
		New:       newRig,
		In:        message.Message{From: distant, To: gateway},
		Out:       message.Message{From: nearby, To: distant},
		Connected: true,
		Secret:    strconv.Itoa(aprsis.Passcode(gateway)),
		Junk: [][]byte{
			[]byte("# logresp\r\n# logresp x\r\n#\r\n"),
			[]byte(strings.Repeat("N0QRB-9>APZ001::N0QRA-10 :x", 4000)), // 100 kB without a line end
			[]byte("\r\nN0QRB-9>APZ001,qAC,X::N0QRA-10 :" + strings.Repeat("x", 600) + "\r\n"),
			[]byte("\r\n:::::::::::\r\n>:}\r\nA>B:}\r\nN0QRB-9>APZ001:}x\r\n"),
		},
	})
}

// newRig makes a link and a server, and one station there.
func newRig(t testing.TB, log *slog.Logger) (link.Link, adaptertest.Peer) {
	far := &farSide{TB: t, heard: make(chan string, 100)}
	far.mend()
	t.Cleanup(far.cut)
	l, err := aprsis.New(aprsis.Options{
		Name: "aprs", Server: far.address, Call: gateway, Passcode: strconv.Itoa(aprsis.Passcode(gateway)),
		Reconnect: 50 * time.Millisecond, Log: log,
	})
	if err != nil {
		t.Fatal(err)
	}
	return l, adaptertest.Peer{Say: far.say, Heard: far.heard, Cut: far.cut, Mend: far.mend, Junk: far.junk}
}

// farSide is a server with one station.
type farSide struct {
	testing.TB
	address string
	heard   chan string
	readers sync.WaitGroup

	server  *standin.Server
	station *standin.Station
}

func (f *farSide) cut() {
	if f.server == nil {
		return
	}
	f.station.Leave()
	f.server.Close()
	f.readers.Wait()
	f.server = nil
}

func (f *farSide) mend() {
	address := f.address
	if address == "" {
		address = "127.0.0.1:0"
	}
	server, err := standin.Listen(f.Context(), address)
	if err != nil {
		f.Fatal(err)
	}
	f.server, f.address = server, server.Addr().String()
	if f.station, err = standin.Join(f.Context(), f.address, distant); err != nil {
		f.Fatal(err)
	}
	messages := f.station.Messages()
	f.readers.Go(func() {
		for m := range messages {
			if m.Sort == aprsis.Words {
				f.heard <- spoken(m.Body)
			}
		}
	})
}

// spoken is how a reader takes words that were quoted because they look like an
// ack.
func spoken(body string) string {
	if inner, ok := strings.CutPrefix(body, `"`); ok && (strings.HasPrefix(inner, "ack") || strings.HasPrefix(inner, "rej")) {
		return strings.TrimSuffix(inner, `"`)
	}
	return body
}

// say sends words. A server drops copies within 30 s, so a repeat goes past it.
func (f *farSide) say(m message.Message) <-chan adaptertest.Answer {
	info := aprsis.Text{To: m.To, Body: m.Text, FullID: m.OriginID}.String()
	f.server.Raw(gateway, []byte(m.From+">"+aprsis.Dest+",TCPIP*,qAC,STANDIN:"+info+"\r\n"))
	return make(chan adaptertest.Answer)
}

func (f *farSide) junk(b []byte) { f.server.Raw(gateway, append(b, "\r\n"...)) }
