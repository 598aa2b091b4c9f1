package main

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"posthouse/adapters"
	"posthouse/adapters/web"
	"posthouse/queue"
)

// errAway is why a process of a hub has stopped working.
var errAway = errors.New("the queue's etcd has not confirmed in time that this process lives, so the others may do its work by now. It takes part again by itself once etcd answers: is a majority of the members up, and can this machine reach them?")

// errNotYet is why a process of a hub does not work yet.
var errNotYet = errors.New("the queue's etcd has not answered since this process was started. It takes part by itself once etcd answers: is a majority of the members up, can this machine reach them, and is POSTHOUSE_STORE right?")

// arrive waits for etcd if that did not answer at the start: after a power failure the
// machines of a site come up in any order. It returns errors that do not pass by
// themselves.
func (g *gateway) arrive(ctx context.Context) error {
	g.log.Error("this process does nothing until etcd answers", "err", errNotYet)
	s, err := g.waitForStore(ctx, errNotYet, func(err error) bool { return errors.Is(err, queue.ErrAway) })
	if err != nil {
		if ctx.Err() != nil {
			return nil // told to stop meanwhile
		}
		return fail(exitDisk, err)
	}
	if err := g.begin(ctx, s); err != nil {
		return err
	}
	g.pulse.beat()
	g.log.Info("etcd has answered, and this process takes part in the hub", "leads", g.leads)
	return nil
}

// rejoin makes a process that has lost its share of the hub take part again, once etcd
// answers.
func (g *gateway) rejoin(ctx context.Context) error {
	g.log.Error("this process does nothing until etcd answers", "err", errAway)
	s, err := g.waitForStore(ctx, errAway, func(error) bool { return true })
	if err != nil {
		return err
	}
	g.use(s)
	if err := g.assemble(ctx); err != nil {
		return err
	}
	g.pulse.beat()
	g.log.Info("this process takes part in the hub again", "leads", g.leads)
	return nil
}

// waitForStore opens the store as soon as possible. Until then the process sends nothing
// and takes nothing over; its own ports answer "later", or why. Brokers and mailboxes keep
// what is there.
func (g *gateway) waitForStore(ctx context.Context, why error, goesByItself func(error) bool) (store, error) {
	if err := g.listen(); err != nil {
		return nil, err
	}
	outside, opened := context.WithCancel(ctx)
	var answering sync.WaitGroup
	g.answerAway(outside, why, &answering)
	defer func() {
		opened()
		answering.Wait()
		g.control, g.http = nil, nil // their servers closed them
	}()
	if g.store != nil {
		if err := g.store.Close(); err != nil {
			g.log.Warn("the last messages may be sent once more", "err", err)
		}
	}
	return g.reopen(ctx, goesByItself)
}

// answerAway answers on all ports that this process has, until ctx ends.
func (g *gateway) answerAway(ctx context.Context, why error, answering *sync.WaitGroup) {
	answering.Go(func() { web.ServeControlAway(ctx, g.control, why, g.log) })
	if g.http != nil {
		away := &web.Public{Metrics: g.metrics(), Healthy: func() error { return why }}
		answering.Go(func() { away.ServeAway(ctx, g.http, g.log) })
	}
	for _, l := range g.cfg.Links {
		answering.Go(func() {
			if err := adapters.Away(ctx, l); err != nil {
				g.log.Error("connections are not answered until etcd answers", "link", l.Name, "err", err)
			}
		})
	}
}

const (
	reopenEvery   = time.Second // between two tries to open the queue
	complainAgain = time.Minute // between two log lines about that
)

// reopen opens the queue as soon as possible.
func (g *gateway) reopen(ctx context.Context, goesByItself func(error) bool) (store, error) {
	var told time.Time
	for {
		s, err := openStore(ctx, g.cfg, g.storeOptions())
		switch {
		case err == nil:
			return s, nil
		case ctx.Err() == nil && !goesByItself(err):
			return nil, err
		case time.Since(told) >= complainAgain && ctx.Err() == nil:
			told = time.Now()
			g.log.Warn("the queue cannot be opened yet", "err", err)
		}
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("opening the queue again: %w", ctx.Err())
		case <-time.After(reopenEvery):
		}
	}
}
