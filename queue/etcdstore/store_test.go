//go:build hub

package etcdstore

import (
	"crypto/sha256"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"testing"

	"go.uber.org/goleak"

	"posthouse/queue"
	"posthouse/queue/etcdstore/etcdtest"
	"posthouse/queue/queuetest"
)

func TestMain(m *testing.M) {
	if os.Getenv("POSTHOUSE_LONG") != "1" { // each of the operations waits for a majority
		if err := flag.Set("rapid.checks", "5"); err != nil {
			panic(err)
		}
	}
	goleak.VerifyTestMain(m)
}

func TestStoreOnThreeMembers(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 3)
	queuetest.RunOnSockets(t, openIn(c))
}

// TestStoreOnOneMember takes as long as the one on three, and shows less.
func TestStoreOnOneMember(t *testing.T) {
	if os.Getenv("POSTHOUSE_LONG") != "1" {
		t.Skip("only with POSTHOUSE_LONG=1")
	}
	c := etcdtest.Start(t, 1)
	queuetest.RunOnSockets(t, openIn(c))
}

func TestOpenFailsWhenItsFolderCannotBeMade(t *testing.T) {
	file := t.TempDir() + "/taken"
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if s, err := Open(t.Context(), Options{Dir: file, Name: "N0QRZ-10"}); err == nil || s != nil {
		t.Errorf("got %v, %v", s, err)
	}
}

// openIn opens the store whose mirror lies in dir: each folder is a gateway of its own.
func openIn(c *etcdtest.Cluster) queuetest.Opener {
	return func(t testing.TB, dir string) queue.Store {
		return join(t, c, dir, fmt.Sprintf("%x", sha256.Sum256([]byte(dir)))[:16])
	}
}

// join opens the queue of a gateway as the process that works in dir. An etcd that is
// slow for a moment, among the others of this test, is asked again, as the program does.
func join(t testing.TB, c *etcdtest.Cluster, dir, name string, options ...func(*Options)) *Store {
	t.Helper()
	o := Options{Endpoints: c.Endpoints, Name: name, Dir: dir, Log: slog.New(slog.NewTextHandler(t.Output(), nil))}
	for _, option := range options {
		option(&o)
	}
	var s *Store
	until(t, "etcd answers", func() bool {
		var err error
		if s, err = Open(t.Context(), o); errors.Is(err, queue.ErrAway) {
			t.Log(err)
			return false
		}
		if err != nil {
			t.Fatal(err)
		}
		return true
	})
	return s
}
