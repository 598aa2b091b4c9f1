package standin

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"time"

	"posthouse/adapters/aprsis"
)

// Station is somebody at an APRS station: it acknowledges what it is sent, and
// says what it is told to. Make it with Join; safe for concurrent use.
type Station struct {
	call  string
	conn  net.Conn
	heard chan Heard
	ended chan struct{}

	mu      sync.Mutex
	refuses bool
}

// Heard is one message that a station got.
type Heard struct {
	From string
	aprsis.Text
}

// Join logs a station in at a server and waits until it is verified. It leaves
// when ctx ends or Leave is called.
func Join(ctx context.Context, address, call string) (*Station, error) {
	var d net.Dialer
	conn, err := d.DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("station %s: %w", call, err)
	}
	st := &Station{call: call, conn: conn, heard: make(chan Heard, maxWaiting), ended: make(chan struct{})}
	in := bufio.NewReader(conn)
	err = st.Send(fmt.Sprintf("user %s pass %d vers station 1", call, aprsis.Passcode(call)))
	for err == nil {
		var line string
		line, err = in.ReadString('\n')
		if strings.HasPrefix(line, "# logresp "+call+" verified") {
			stop := context.AfterFunc(ctx, func() { conn.Close() })
			go func() {
				defer close(st.ended)
				defer close(st.heard)
				defer stop()
				st.listen(in)
			}()
			return st, nil
		}
	}
	conn.Close()
	return nil, fmt.Errorf("station %s: log in: %w", call, err)
}

// Messages are those that the station gets, acks included; words once for each
// time they come. Who does not read them loses them. Closed when the station
// leaves.
func (st *Station) Messages() <-chan Heard { return st.heard }

// Say sends words; with an id they are to be acknowledged.
func (st *Station) Say(to, words, id string) error {
	return st.Send(st.call + ">" + aprsis.Dest + ",TCPIP*:" + aprsis.Text{To: to, Body: words, FullID: id}.String())
}

// Send sends a line as it is.
func (st *Station) Send(line string) error {
	_ = st.conn.SetWriteDeadline(time.Now().Add(10 * time.Second))
	_, err := io.WriteString(st.conn, line+"\r\n")
	return err
}

// Refuse makes the station reject instead of acknowledge, or ends that.
func (st *Station) Refuse(on bool) {
	st.mu.Lock()
	defer st.mu.Unlock()
	st.refuses = on
}

// Leave ends the connection and waits for that.
func (st *Station) Leave() {
	st.conn.Close()
	<-st.ended
}

func (st *Station) listen(in *bufio.Reader) {
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			st.conn.Close()
			return
		}
		p, err := aprsis.ParsePacket(strings.TrimRight(line, "\r\n"))
		if err != nil {
			continue
		}
		if t, err := aprsis.ParseText(p.Info); err == nil && t.To == st.call {
			st.answer(p.Source, t)
			select {
			case st.heard <- Heard{p.Source, t}:
			default:
			}
		}
	}
}

func (st *Station) answer(to string, t aprsis.Text) {
	st.mu.Lock()
	refuses := st.refuses
	st.mu.Unlock()
	if t.Sort != aprsis.Words || t.FullID == "" {
		return
	}
	sort := aprsis.Ack
	if refuses {
		sort = aprsis.Reject
	}
	_ = st.Send(st.call + ">" + aprsis.Dest + ",TCPIP*:" + aprsis.Text{To: to, Sort: sort, FullID: t.FullID}.String())
}
