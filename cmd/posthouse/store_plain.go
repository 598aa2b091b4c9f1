//go:build !hub

package main

import (
	"context"
	"errors"

	"posthouse/bridge/config"
)

var errNoEtcd = errors.New("this build of posthouse has no etcd, to stay small; a hub needs one that was built with -tags hub")

func checkStore(string) error { return errNoEtcd }

func openEtcd(context.Context, *config.Config, []string, storeOptions) (store, error) {
	return nil, errNoEtcd
}
