//go:build hub

package main

import (
	"context"

	"posthouse/bridge/config"
	"posthouse/queue/etcdstore"
)

// checkStore has nothing to add: this build has etcd, and whether it answers shows
// when the daemon starts.
func checkStore(string) error { return nil }

// openEtcd opens a gateway's queue in etcd. Of the processes with one call sign one
// works, the others wait in here.
func openEtcd(ctx context.Context, cfg *config.Config, members []string, o storeOptions) (store, error) {
	s, err := etcdstore.Open(ctx, etcdstore.Options{
		Endpoints: members, Name: cfg.Callsign, Dir: cfg.DataDir, Alone: true,
		OnStandby: o.onStandby, OnCommit: o.onCommit, Log: o.log,
	})
	if err != nil {
		return nil, err
	}
	return s, nil
}
