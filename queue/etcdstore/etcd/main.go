// Command etcd is an etcd server, for tests on a machine that has none installed:
//
//	cd queue/etcdstore/etcd && go build -o /usr/local/bin/etcd .
//
// It is a module of its own, so that the server and all that it needs are none of
// posthouse's.
package main

import (
	"os"

	"go.etcd.io/etcd/server/v3/etcdmain"
)

func main() { etcdmain.Main(os.Args) }
