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

// store is what the daemon needs of its queue besides what the bridge needs.
type store interface {
	queue.Store
	Backup(w io.Writer) error
	Healthy() error
	Room() (queue.Room, bool)
}

// local is a store in files of this machine.
type local interface {
	Removed() <-chan struct{} // closed once they were removed or replaced
}

// errRemoved ends a run: a new one has all files of the data folder again, the socket of the
// commands, too.
var errRemoved = errors.New("its data folder, or the queue in it, was removed or replaced; what was removed was put back: start it again")

// shared is a store that the processes of a hub work with.
type shared interface {
	queue.Share
	Shares() int           // of the lanes, of 64
	Won() <-chan struct{}  // closed once this process leads
	Lost() <-chan struct{} // closed once it has lost its share: it cannot write any more
}

// Why a run of a hub's process ends.
var (
	errLost = errors.New("the other processes may have taken over what this one did")
	errWon  = errors.New("this process leads the hub now")
)

// storeOptions are the options of both kinds of store.
type storeOptions struct {
	onCommit func(time.Duration)
	log      *slog.Logger
}

// openStore opens the queue that the settings name.
func openStore(ctx context.Context, cfg *config.Config, o storeOptions) (store, error) {
	if hosts, ok := strings.CutPrefix(cfg.Store, "etcd://"); ok {
		return openEtcd(ctx, cfg, strings.Split(hosts, ","), o)
	}
	advise := func(err error) error { return withRemedy(err, cfg.DataDir) }
	s, err := boltstore.Open(filepath.Join(cfg.DataDir, queueFile), boltstore.Options{Log: o.log, OnCommit: o.onCommit, Advise: advise})
	if err != nil {
		return nil, err // a nil *Store would not be a nil store
	}
	return s, nil
}

// hooks are the checks of settings that need more knowledge than package config has.
func hooks() config.Hooks {
	h := adapters.Hooks()
	h.CheckStore = checkStore
	return h
}
