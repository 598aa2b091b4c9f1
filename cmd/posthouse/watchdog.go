package main

import (
	"context"
	"sync/atomic"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"

	"posthouse/bridge"
)

// pulse is the bridge's meter that also notes when the clerk was last at work:
// once a second he writes to the store what time asks for, then sets the clock's
// gauge. A clerk without a pulse hangs, or the store does.
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

// beat counts as work of the clerk: he has been away for a reason.
func (p *pulse) beat() { p.last.Store(int64(time.Since(begun))) }

// since tells how long ago the clerk was at work.
func (p *pulse) since() time.Duration { return time.Since(begun) - time.Duration(p.last.Load()) }

// watch tells the service manager twice in each interval that the gateway is
// alive, as sd_watchdog_enabled(3) recommends, until ctx ends. It falls silent
// when the clerk has been for a whole interval; then the manager starts the
// gateway anew. While the store mends its file the clerk may wait: a new start
// would only begin to mend it again.
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
