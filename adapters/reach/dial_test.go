package reach

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

var errRefused = errors.New("connection refused")

// pipe is a connection that tells when it is closed.
type pipe struct {
	net.Conn
	to     string
	closed *atomic.Int32
}

func (p pipe) Close() error { p.closed.Add(1); return nil }

// hosts answer as their names say: "dead" never, "no" refuses, "slow" after 1.5 s, others at
// once.
func hosts(closed *atomic.Int32) dial {
	return func(ctx context.Context, _, address string) (net.Conn, error) {
		answer := time.After(0)
		switch {
		case strings.HasPrefix(address, "dead"):
			answer = nil
		case strings.HasPrefix(address, "no"):
			return nil, fmt.Errorf("%s: %w", address, errRefused)
		case strings.HasPrefix(address, "slow"):
			answer = time.After(stagger * 3 / 2)
		}
		select {
		case <-answer:
			return pipe{to: address, closed: closed}, nil
		case <-ctx.Done():
			return nil, fmt.Errorf("%s: %w", address, ctx.Err())
		}
	}
}

func TestRace(t *testing.T) {
	dead := strings.Fields("dead1 dead2 dead3 dead4 dead5 dead6 dead7 dead8 dead9")
	for name, c := range map[string]struct {
		addresses []string
		want      string // the address, or words of the error
		took      time.Duration
	}{
		"the first answers":                  {[]string{"a", "b"}, "a", 0},
		"the last of ten":                    {append(dead, "a"), "a", 9 * stagger},
		"refused ones cost no time":          {strings.Fields("no1 no2 no3 a"), "a", 0},
		"a slow one is not given up":         {strings.Fields("slow dead1 dead2"), "slow", stagger * 3 / 2},
		"a quick one overtakes a slow one":   {strings.Fields("slow a"), "a", stagger},
		"the only one refuses":               {[]string{"no1"}, "no1: connection refused", 0},
		"all refuse":                         {strings.Fields("no1 no2"), "none of 2 addresses answers: no1: connection refused", 0},
		"nobody answers before the time is":  {strings.Fields("dead1 dead2"), "none of 2 addresses answers: dead", 15 * time.Second},
		"nobody answers, one is not reached": {append(dead, dead...), "none of 18 addresses answers: dead", 15 * time.Second},
		"no address":                         {nil, "it has no address", 0},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithTimeout(t.Context(), 15*time.Second)
				defer cancel()
				begun := time.Now()
				var closed atomic.Int32
				conn, err := race(ctx, "tcp", c.addresses, hosts(&closed))
				if took := time.Since(begun); took != c.took {
					t.Errorf("it took %v, want %v", took, c.took)
				}
				got := ""
				if err != nil {
					got = err.Error()
				} else {
					got = conn.(pipe).to
				}
				if !strings.HasPrefix(got, c.want) {
					t.Errorf("%q, want %q", got, c.want)
				}
			})
		})
	}
}

// Of two that answer at once one is used and the other closed.
func TestTheOtherConnectionIsClosed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var closed atomic.Int32
		late := func(ctx context.Context, network, address string) (net.Conn, error) {
			time.Sleep(2*stagger - map[string]time.Duration{"a": 0, "b": stagger}[address]) // whatever ctx says
			return pipe{to: address, closed: &closed}, nil
		}
		if _, err := race(t.Context(), "tcp", []string{"a", "b"}, late); err != nil {
			t.Fatal(err)
		}
		if n := closed.Load(); n != 1 {
			t.Errorf("%d connections were closed, want 1", n)
		}
	})
}

func TestDial(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	conn, err := Dial(t.Context(), "tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	conn.Close()
	if _, err := Dial(t.Context(), "tcp", "no port"); err == nil {
		t.Error("connected to what is no address")
	}
}
