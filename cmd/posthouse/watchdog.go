package main

import (
	"context"
	"sync/atomic"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"

	"posthouse/bridge"
)

// pulse is the bridge's meter, and also notes when the clerk was last at work: once a second
// it does what is due, writes to the store, and sets the clock's gauge. Without a pulse the
// clerk or the store hangs.
type pulse struct {
	bridge.Meter
	last atomic.Int64 // nanoseconds since begun, a monotonic clock
}

var begun = time.Now()

// Clock is what the clerk calls in each round.
func (p *pulse) Clock(trusted bool) {
	p.beat()
	p.Meter.Clock(trusted)
}

// beat counts as work of the clerk, after a pause with a reason.
func (p *pulse) beat() { p.last.Store(int64(time.Since(begun))) }

// since is how long ago the clerk was at work.
func (p *pulse) since() time.Duration { return time.Since(begun) - time.Duration(p.last.Load()) }

// watch tells the service manager twice in each interval that the gateway is alive, as
// sd_watchdog_enabled(3) recommends, until ctx ends. If the clerk has done nothing for a
// whole interval it stops, and the manager restarts the gateway. While the store repairs
// its file the clerk may wait: a restart would only begin the repair again.
func watch(ctx context.Context, interval time.Duration, p *pulse, mending func() bool, tell func(state string)) {
	tick := time.NewTicker(interval / 2)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			if p.since() < interval || mending() {
				tell(daemon.SdNotifyWatchdog)
			}
		}
	}
}
