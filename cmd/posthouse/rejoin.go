package main

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"posthouse/adapters"
	"posthouse/adapters/web"
)

// errAway is why a process of a hub does nothing.
var errAway = errors.New("the queue's etcd has not confirmed in time that this process lives, so the others may do its work by now. It takes part again by itself once etcd answers: is a majority of the members up, and can this machine reach them?")

// rejoin has a process of a hub that has lost its part of the work take part anew,
// once etcd answers. Until then it sends nothing and takes nothing over; who comes by
// a port of its own is told to come later. Brokers and mailboxes keep what is there.
func (g *gateway) rejoin(ctx context.Context) error {
	if err := g.listen(); err != nil {
		return err
	}
	g.log.Error("this process does nothing until etcd answers", "err", errAway)
	outside, reopened := context.WithCancel(ctx)
	defer reopened()
	var answering sync.WaitGroup
	g.answerAway(outside, &answering)
	if err := g.store.Close(); err != nil {
		g.log.Warn("what went out last may go out once more", "err", err)
	}
	err := g.reopen(ctx)
	reopened()
	answering.Wait()
	g.control, g.http = nil, nil // their servers closed them
	if err != nil {
		return err
	}
	if err := g.assemble(ctx); err != nil {
		return err
	}
	g.pulse.beat()
	g.log.Info("this process takes part in the hub again", "leads", g.leads)
	return nil
}

// answerAway answers on all ports that this process has, until ctx ends.
func (g *gateway) answerAway(ctx context.Context, answering *sync.WaitGroup) {
	answering.Go(func() { web.ServeControlAway(ctx, g.control, errAway, g.log) })
	if g.http != nil {
		away := *g.public
		away.Healthy = func() error { return errAway }
		answering.Go(func() { away.ServeAway(ctx, g.http, g.log) })
	}
	for _, l := range g.cfg.Links {
		answering.Go(func() {
			if err := adapters.Away(ctx, l); err != nil {
				g.log.Error("nobody tells those who come to come later", "link", l.Name, "err", err)
			}
		})
	}
}

const (
	reopenEvery   = time.Second // between two tries to open the queue
	complainAgain = time.Minute // of such a try
)

// reopen opens the queue as soon as that can be done.
func (g *gateway) reopen(ctx context.Context) error {
	var told time.Time
	for {
		s, err := openStore(ctx, g.cfg, g.storeOptions())
		if err == nil {
			g.use(s)
			return nil
		}
		if time.Since(told) >= complainAgain && ctx.Err() == nil {
			told = time.Now()
			g.log.Warn("the queue cannot be opened yet", "err", err)
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("opening the queue again: %w", ctx.Err())
		case <-time.After(reopenEvery):
		}
	}
}
