package broker

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// options are the library's options for one connection. opened gets the network connection,
// which it may close.
func (s *session) options(ctx context.Context, in *intake, opened func(net.Conn)) *mqtt.ClientOptions {
	o := mqtt.NewClientOptions().AddBroker(s.opts.URLs[0].String()).
		SetClientID(s.opts.ClientID).SetUsername(s.opts.Username).SetPassword(s.opts.Password).
		SetProtocolVersion(4).SetCleanSession(s.opts.Clean).
		SetAutoAckDisabled(true).SetOrderMatters(true).
		SetAutoReconnect(false).SetConnectRetry(false). // run does that
		SetConnectTimeout(connectWait).SetKeepAlive(keepAlive).SetPingTimeout(10 * time.Second).
		SetWriteTimeout(writeWait).SetStore(noStore{})
	if w := s.opts.Will; w != nil {
		o.SetBinaryWill(w.topic, w.payload(), 1, false)
	}
	o.SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
		conn, err := s.dial(ctx)
		if err != nil {
			return nil, err
		}
		opened(conn)
		return cutting(&patientConn{Conn: conn}, func() { in.easy(ctx) }), nil
	})
	return o
}

// quietLibrary sends the library's log, which all its clients share, to our debug log,
// since State says the same. The library's own debug log would show payloads and stays
// off.
var quietLibrary = sync.OnceFunc(func() {
	mqtt.ERROR, mqtt.CRITICAL, mqtt.WARN = libraryLog{}, libraryLog{}, libraryLog{}
})

type libraryLog struct{}

func (libraryLog) Println(v ...any) {
	slog.Debug("mqtt client", "says", strings.TrimSpace(fmt.Sprintln(v...)))
}

func (libraryLog) Printf(format string, v ...any) {
	slog.Debug("mqtt client", "says", strings.TrimSpace(fmt.Sprintf(format, v...)))
}
