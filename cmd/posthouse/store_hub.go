//go:build hub

package main

import (
	"context"

	"posthouse/bridge/config"
	"posthouse/queue/etcdstore"
)

// checkStore finds nothing: this build has etcd. Whether etcd answers shows when the daemon
// starts.
func checkStore(string) error { return nil }

// openEtcd opens the gateway's queue in etcd, shared with the other processes of this call
// sign.
func openEtcd(ctx context.Context, cfg *config.Config, members []string, o storeOptions) (store, error) {
	s, err := etcdstore.Open(ctx, etcdstore.Options{
		Endpoints: members, Name: cfg.Callsign, Dir: cfg.DataDir, Works: true,
		OnCommit: o.onCommit, Log: o.log,
	})
	if err != nil {
		return nil, err
	}
	return s, nil
}
