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

// leased is a store that another process may take over when this one does not show
// in time that it lives.
type leased interface {
	Lost() <-chan struct{} // closed once nothing can be written any more
}

var errLost = errors.New("another process may have taken over the queue: start again to stand by")

// storeOptions are what a store of either kind is told.
type storeOptions struct {
	onCommit  func(time.Duration)
	onStandby func() // called every second while another process has the queue
	log       *slog.Logger
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
