package main

import (
	"context"
	"net"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"posthouse/metrics"
)

// manager is what a service manager hears of a daemon (sd_notify(3)).
type manager struct {
	t    *testing.T
	path string
	conn *net.UnixConn
}

func newManager(t *testing.T) *manager {
	t.Helper()
	m := &manager{t: t, path: filepath.Join(t.TempDir(), "notify")}
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: m.path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	m.conn = conn
	return m
}

// hears waits for a state, whatever comes before it.
func (m *manager) hears(want string) {
	m.t.Helper()
	if err := m.conn.SetReadDeadline(time.Now().Add(patience)); err != nil {
		m.t.Fatal(err)
	}
	for buf := make([]byte, 4096); ; {
		n, err := m.conn.Read(buf)
		if err != nil {
			m.t.Fatalf("waiting for %s: %v", want, err)
		}
		if strings.Contains(string(buf[:n])+"\n", want+"\n") {
			return
		}
	}
}

func TestTellsTheServiceManagerAndOutlivesAReload(t *testing.T) {
	t.Parallel()
	m := newManager(t)
	d := startDaemon(t, "POSTHOUSE_LINKS=valley", "POSTHOUSE_VALLEY_KIND=mesh", "POSTHOUSE_VALLEY_OPEN_CHANNEL=yes",
		"POSTHOUSE_VALLEY_BROKER_LISTEN="+freePort(t), "NOTIFY_SOCKET="+m.path, "WATCHDOG_USEC=3000000")
	m.hears("READY=1")
	m.hears("WATCHDOG=1")
	if err := d.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	m.hears("WATCHDOG=1") // no trunk, and still alive
	d.stop()
	m.hears("STOPPING=1")
}

func TestWatchdogFallsSilentWithTheClerk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		p := &pulse{Meter: metrics.New(prometheus.NewRegistry(), nil, nil)}
		var mending atomic.Bool
		var pings atomic.Int64
		go watch(ctx, time.Minute, p, mending.Load, func(string) { pings.Add(1) })
		for _, step := range []struct {
			name    string
			works   bool
			mending bool
			want    int64 // pings in two minutes
		}{
			{"the clerk works", true, false, 4},
			{"the clerk hangs: one ping more, by the pulse of the past interval", false, false, 1},
			{"the clerk waits for a store that mends its file", false, true, 4},
			{"the clerk hangs after that", false, false, 0},
			{"the clerk works again", true, false, 4},
		} {
			mending.Store(step.mending)
			pings.Store(0)
			for range 2 * 60 {
				if step.works {
					p.Clock(true)
				}
				time.Sleep(time.Second)
				synctest.Wait()
			}
			if got := pings.Load(); got != step.want {
				t.Errorf("%s: %d pings, want %d", step.name, got, step.want)
			}
		}
		cancel()
		synctest.Wait()
	})
}
