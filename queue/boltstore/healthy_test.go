package boltstore

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	bolt "go.etcd.io/bbolt"

	"posthouse/bridge/message"
	"posthouse/queue"
)

// A card that breaks becomes read-only (mount(8), errors=remount-ro): then nothing
// is taken over any more, and the store must not be called healthy. Once it can be
// written again it is, without a text that has to come first.
func TestHealthyTellsThatNothingCanBeWritten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, before, _ := failing()
		s := openIn(t, t.TempDir(), o)
		defer closeStore(t, s)
		readOnly := func(*os.File) error { return fmt.Errorf("write queue.db.wal: %w", syscall.EROFS) }
		works := s.wal.sync
		applyEach(t, s, 0, 1)
		if err := s.Healthy(); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		s.wal.sync = readOnly
		before.Store(true)
		if _, err := s.Apply(t.Context(), queue.Op{New: sample(1)}); err == nil {
			t.Fatal("written on a card that cannot be written")
		}
		synctest.Wait()
		if err := s.Healthy(); err == nil {
			t.Error("healthy, and nothing can be written")
		}
		s.wal.sync = works
		before.Store(false)
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		if err := s.Healthy(); err != nil {
			t.Errorf("two minutes after it could be written again: %v", err)
		}
	})
}

// A disk that fails is not full: who hands something in is to try again, as what lets a
// broker keep a text, and is not told that it is refused. What must not wait goes into the
// log, if that can be written.
func TestADiskThatFailsIsNotFull(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o, before, _ := failing()
		var tries atomic.Int64
		fails := o.commit
		o.commit = func(tx *bolt.Tx) error { tries.Add(1); return fails(tx) }
		s := openIn(t, t.TempDir(), o)
		defer closeStore(t, s)
		before.Store(true)
		applyEach(t, s, 0, 1)
		time.Sleep(2 * checkpointWait)
		if n := int64(checkpointWait / retryLeast); tries.Load() < n/2 || tries.Load() > n+2 {
			t.Errorf("it was tried %d times in a minute, want about %d times", tries.Load(), n)
		}
		if _, err := s.Apply(t.Context(), queue.Op{New: sample(1)}); !errors.Is(err, errPulled) || errors.Is(err, queue.ErrFull) {
			t.Errorf("a text is answered %v, want %v", err, errPulled)
		}
		receipt := sample(2)
		receipt.Message.Kind = message.Receipt
		if _, err := s.Apply(t.Context(), queue.Op{New: receipt}); err != nil {
			t.Errorf("a receipt is answered %v", err)
		}
		before.Store(false)
		time.Sleep(2 * time.Minute)
		applyEach(t, s, 3, 1)
	})
}

// A disk that hangs gives no error. Whoever asks is answered all the same, also while the
// checkpoint holds what reads wait for; and once the disk answers all is well.
func TestHealthyTellsThatTheDiskHangs(t *testing.T) {
	for _, what := range []string{"the log", "the data file"} {
		t.Run(what, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				hanging, answers := atomic.Bool{}, make(chan struct{})
				hang := func(here string) {
					if here == what && hanging.Load() {
						<-answers
					}
				}
				o := Options{NoSync: true, commit: func(tx *bolt.Tx) error { hang("the data file"); return tx.Commit() }}
				o.sync = func(*os.File) error { hang("the log"); return nil }
				s := openIn(t, t.TempDir(), o)
				defer closeStore(t, s)
				applyEach(t, s, 0, 1)
				hanging.Store(true)
				done := make(chan error)
				go func() { _, err := s.Apply(context.Background(), queue.Op{New: sample(1)}); done <- err }()
				time.Sleep(checkpointWait + hangs + time.Second)
				if err := s.Healthy(); !errors.Is(err, queue.ErrHangs) {
					t.Errorf("the disk hangs: %v", err)
				}
				hanging.Store(false)
				close(answers)
				if err := <-done; err != nil {
					t.Error(err)
				}
				synctest.Wait()
				if err := s.Healthy(); err != nil {
					t.Errorf("the disk answers again: %v", err)
				}
			})
		})
	}
}

// A store without room goes on: what empties it comes in.
func TestFullStoreIsHealthy(t *testing.T) {
	s := openIn(t, t.TempDir(), Options{NoSync: true})
	defer closeStore(t, s)
	s.complain(fmt.Errorf("%w: no space left on device", queue.ErrFull))
	if err := s.Healthy(); err != nil {
		t.Error(err)
	}
	s.complain(errors.New("input/output error"))
	if err := s.Healthy(); err == nil {
		t.Error("healthy with an error of the disk")
	}
}
