package boltstore

import (
	"log/slog"
	"path/filepath"
	"testing"

	"go.uber.org/goleak"

	"posthouse/queue"
	"posthouse/queue/queuetest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestStore(t *testing.T) {
	queuetest.Run(t, func(t testing.TB, dir string) queue.Store {
		s, err := Open(filepath.Join(dir, "queue.db"), Options{NoSync: true, Log: slog.New(slog.NewTextHandler(t.Output(), nil))})
		if err != nil {
			t.Fatal(err)
		}
		return s
	})
}
