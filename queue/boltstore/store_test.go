package boltstore

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	bolt "go.etcd.io/bbolt"
	"go.uber.org/goleak"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
	"posthouse/queue/queuetest"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		writeUntilKilled(dir)
	}
	goleak.VerifyTestMain(m)
}

func TestStore(t *testing.T) {
	queuetest.Run(t, func(t testing.TB, dir string) queue.Store {
		return openIn(t, dir, Options{NoSync: true})
	})
}

// TestSecondOpen: one process has the folder at a time.
func TestSecondOpen(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{})
	if _, err := Open(filepath.Join(dir, "queue.db"), Options{}); err == nil {
		t.Fatal("a second store was opened in the same folder")
	} else {
		t.Log(err)
	}
	closeStore(t, s)
	closeStore(t, openIn(t, dir, Options{}))
}

// TestModes: nobody but the daemon's own user may read other people's messages.
func TestModes(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	closeStore(t, openIn(t, dir, Options{}))
	for name, want := range map[string]os.FileMode{dir: 0o700, filepath.Join(dir, "queue.db"): 0o600, filepath.Join(dir, "queue.db.wal"): 0o600, filepath.Join(dir, "queue.db.lock"): 0o600} {
		info, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		if got := info.Mode().Perm(); got != want {
			t.Errorf("%s has mode %o, want %o", name, got, want)
		}
	}
}

// TestBackup: a copy taken while others write opens and is sound.
func TestBackup(t *testing.T) {
	s := openIn(t, t.TempDir(), Options{NoSync: true})
	defer closeStore(t, s)
	fill(t, s, 500)
	dir := t.TempDir()
	out, err := os.Create(filepath.Join(dir, "queue.db"))
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() { defer close(done); fill(t, s, 500) }()
	if err := s.Backup(out); err != nil {
		t.Fatal(err)
	}
	<-done
	out.Close()
	b := openIn(t, dir, Options{})
	defer closeStore(t, b)
	if n := b.Stats().Records; n < 500 || n > 1000 {
		t.Errorf("the copy has %d records", n)
	}
	verified(t, b)
}

// openIn opens the store in a folder, with the test's log. Unless told otherwise
// its own log is a small one: checkpoints are frequent.
func openIn(t testing.TB, dir string, opts Options) *Store {
	t.Helper()
	opts.Log = slog.New(slog.NewTextHandler(t.Output(), nil))
	if opts.MinFree == 0 {
		opts.MinFree = -1
	}
	if opts.LogBytes == 0 {
		opts.LogBytes = 1 << 19
	}
	s, err := Open(filepath.Join(dir, "queue.db"), opts)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func closeStore(t testing.TB, s *Store) {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Errorf("Close: %v", err)
	}
}

func verified(t testing.TB, s *Store) {
	t.Helper()
	if err := s.Verify(context.Background()); err != nil {
		t.Errorf("Verify: %v", err)
	}
}

// sample makes a record of about 300 bytes, its number in the text.
func sample(i int) *queue.Record {
	from, to := fmt.Sprintf("N0QRA-%d", i%15), fmt.Sprintf("N0QRB-%d", i%13)
	return &queue.Record{
		Message: message.Message{Kind: message.Text, From: from, To: to, OriginID: fmt.Sprint(i), Link: "valley",
			Text: fmt.Sprintf("text %d: the road is open, send two people with a stretcher to the upper camp", i), Precedence: message.Routine},
		Identity:   queue.Identity{byte(i), byte(i >> 8), byte(i >> 16), byte(i >> 24), 1},
		Accepted:   queue.Stamp{Age: 1000},
		Expires:    1 << 40,
		Deliveries: []queue.Delivery{{Link: "far", To: to, State: queue.Ready, Parts: []queue.Part{{ID: fmt.Sprintf("f%04x", i)}}}},
		History:    []queue.Step{{What: "accepted", Link: "valley"}},
	}
}

// fill adds n records in batches.
func fill(t testing.TB, s *Store, n int) {
	t.Helper()
	for n > 0 {
		ops := make([]queue.Op, min(n, 500))
		for i := range ops {
			n--
			ops[i].New = sample(n)
		}
		if _, err := s.Apply(context.Background(), ops...); err != nil {
			t.Fatal(err)
		}
	}
}

// finishAll ends the deliveries of the records from..to.
func finishAll(t testing.TB, s *Store, from, to uint64) {
	t.Helper()
	for from <= to {
		var ops []queue.Op
		for ; from <= to && len(ops) < 500; from++ {
			ops = append(ops, queue.Op{Seq: from, Change: finish})
		}
		if _, err := s.Apply(context.Background(), ops...); err != nil {
			t.Fatal(err)
		}
	}
}

func finish(r *queue.Record) ([]*queue.Record, error) {
	r.Deliveries[0].State = queue.Delivered
	r.History = append(r.History, queue.Step{What: "acked", Link: "far"})
	return nil, nil
}

// all lists every record.
func all(t testing.TB, s *Store) map[uint64]*queue.Record {
	t.Helper()
	list, err := s.List(context.Background(), false, 0, 1<<30)
	if err != nil {
		t.Fatal(err)
	}
	m := map[uint64]*queue.Record{}
	for _, r := range list {
		m[r.Seq] = r
	}
	return m
}

// rawUpdate changes the file behind the store's back.
func rawUpdate(t testing.TB, dir string, f func(*bolt.Tx) error) {
	t.Helper()
	db, err := bolt.Open(filepath.Join(dir, "queue.db"), 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Update(f); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

// queueAge is one second of age a step.
func queueAge(i int) clock.Age { return clock.Age(2000 + i*1000) }

func textLog(out io.Writer) *slog.Logger { return slog.New(slog.NewTextHandler(out, nil)) }
