package mail

import (
	"context"
	"fmt"
	"net"
	"time"
)

// Away stands where the mail server of a gateway would that cannot store anything
// now: it tells each client to come later, instead of a greeting (RFC 5321 section
// 4.2.3: 421; RFC 3463: X.3.2), until ctx ends. Mail servers try another of the
// domain's hosts then, or again.
func Away(ctx context.Context, listen, domain string) error {
	l, err := net.Listen("tcp", listen)
	if err != nil {
		return fmt.Errorf("listen for mail on %s: %w", listen, err)
	}
	defer l.Close()
	defer context.AfterFunc(ctx, func() { l.Close() })()
	for { // one client after the other: each is here for one line
		conn, err := l.Accept()
		switch {
		case err != nil && ctx.Err() != nil:
			return nil
		case err != nil:
			return fmt.Errorf("listen for mail on %s: %w", listen, err)
		}
		conn.SetWriteDeadline(time.Now().Add(time.Second))
		fmt.Fprintf(conn, "421 4.3.2 %s cannot store mail now, try again later\r\n", domain)
		conn.Close()
	}
}
