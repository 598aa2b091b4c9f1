package main

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"path/filepath"
	"strings"
	"time"

	"posthouse/adapters"
	"posthouse/bridge/config"
	"posthouse/queue"
	"posthouse/queue/boltstore"
)

// store is what a daemon asks of its queue beside what the bridge does.
type store interface {
	queue.Store
	Backup(w io.Writer) error
	Healthy() error
	Room() (queue.Room, bool)
}

// shared is a store that the processes of a hub work with.
type shared interface {
	queue.Share
	Shares() int           // of the lanes, of 64
	Won() <-chan struct{}  // closed once this process leads
	Lost() <-chan struct{} // closed once it has no part in the work any more: nothing can be written
}

// How a process of a hub comes to its end, or to a new beginning.
var (
	errLost = errors.New("the other processes may have taken over what this one did")
	errWon  = errors.New("this process leads the hub now")
)

// storeOptions are what a store of either kind is told.
type storeOptions struct {
	onCommit func(time.Duration)
	log      *slog.Logger
}

// openStore opens the queue where the settings say.
func openStore(ctx context.Context, cfg *config.Config, o storeOptions) (store, error) {
	if hosts, ok := strings.CutPrefix(cfg.Store, "etcd://"); ok {
		return openEtcd(ctx, cfg, strings.Split(hosts, ","), o)
	}
	s, err := boltstore.Open(filepath.Join(cfg.DataDir, queueFile), boltstore.Options{Log: o.log, OnCommit: o.onCommit})
	if err != nil {
		return nil, err // not a nil *Store, which would be no nil store
	}
	return s, nil
}

// hooks are the checks of settings that need to know more than the settings.
func hooks() config.Hooks {
	h := adapters.Hooks()
	h.CheckStore = checkStore
	return h
}
