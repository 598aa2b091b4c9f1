package aprsis

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"posthouse/bridge/callsign"
)

// Probe logs in, and reports what the server says. A server ends an older login of the same
// call sign. So that a running gateway is not disturbed it uses another SSID, with the same
// passcode.
func (a *Adapter) Probe(ctx context.Context, say func(string)) error {
	conn, err := a.opt.Dial(ctx, "tcp", a.opt.Server)
	if err != nil {
		return fmt.Errorf("connect to %s: %w", a.opt.Server, err)
	}
	defer conn.Close()
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	say("connected to " + a.opt.Server)
	if err := conn.SetDeadline(time.Now().Add(loginTimeout)); err != nil {
		return err
	}
	call := callsign.Base(a.opt.Call) + "-ZZ"
	if call == a.opt.Call {
		call = callsign.Base(a.opt.Call) + "-ZY"
	}
	if _, err := fmt.Fprintf(conn, "user %s pass %s vers posthouse %s\r\n", call, a.passcode, a.opt.Version); err != nil {
		return fmt.Errorf("logging in: %w", err)
	}
	// The answer comes soon; what a server says in 30 s has an end.
	in := bufio.NewScanner(io.LimitReader(conn, 1<<20))
	for in.Scan() {
		f := strings.Fields(strings.TrimPrefix(in.Text(), "#"))
		if len(f) < 3 || f[0] != "logresp" {
			continue
		}
		switch verified := strings.TrimSuffix(f[2], ",") == "verified"; {
		case verified:
			say("the passcode is right")
			return nil
		case a.passcode == ReceiveOnly:
			say("receive only, no passcode is set")
			return nil
		}
		return fmt.Errorf("the server does not believe the passcode: ask for the one of %s", callsign.Base(a.opt.Call))
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	return errors.Join(errUnanswered, in.Err())
}
