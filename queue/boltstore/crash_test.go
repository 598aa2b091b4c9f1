package boltstore

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"posthouse/queue"
)

// childDir tells the test binary to be the process that is killed; childLog is
// how many bytes its log has.
const (
	childDir = "BOLTSTORE_TEST_CHILD_DIR"
	childLog = "BOLTSTORE_TEST_CHILD_LOG"
)

// writeUntilKilled creates, changes and purges from several goroutines, and says
// on stdout what has been acknowledged.
func writeUntilKilled(dir string) {
	size, _ := strconv.ParseInt(os.Getenv(childLog), 10, 64)
	s, err := Open(filepath.Join(dir, "queue.db"), Options{MinFree: -1, LogBytes: size})
	if err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
	var mu sync.Mutex
	say := func(word string, seq uint64) {
		mu.Lock()
		defer mu.Unlock()
		fmt.Println(word, seq)
	}
	for w := range 8 {
		go func() {
			for i := w; ; i += 8 {
				d, err := s.Apply(context.Background(), queue.Op{New: sample(i)})
				if err != nil {
					panic(err)
				}
				say("new", d[0].Seq)
				if i%3 == 0 {
					if _, err := s.Apply(context.Background(), queue.Op{Seq: d[0].Seq, Change: finish}); err != nil {
						panic(err)
					}
					say("done", d[0].Seq)
				} else if i%3 == 1 {
					s.Apply(context.Background(), queue.Op{Lazy: true, Seq: d[0].Seq, Change: func(r *queue.Record) ([]*queue.Record, error) {
						r.Deliveries[0].Attempts++
						return nil, nil
					}})
				}
			}
		}()
	}
	for size > 0 && size < walSize {
		_ = s.Compact(context.Background()) // too much may be being written
	}
	select {}
}

// TestKilled kills a process in the middle of writing, again and again: all that
// it was told is stored is there, and the indexes fit the records. With a small
// log most of its time goes into checkpoints, and it is compacted all the time.
func TestKilled(t *testing.T) {
	for _, size := range []int64{walSize, 1 << 16} {
		t.Run(fmt.Sprint("log of ", size>>10, " KiB"), func(t *testing.T) { killAgain(t, size) })
	}
}

func killAgain(t *testing.T, logBytes int64) {
	rounds := 8
	if testing.Short() {
		rounds = 3
	}
	dir := t.TempDir()
	told := map[uint64]bool{} // seq -> finished
	for range rounds {
		killOne(t, dir, told, logBytes)
		s := openIn(t, dir, Options{})
		there := all(t, s)
		for seq, finished := range told {
			r := there[seq]
			if r == nil {
				t.Fatalf("record %d was acknowledged and is gone", seq)
			}
			if finished && r.Open() {
				t.Fatalf("the change of record %d was acknowledged and is gone", seq)
			}
		}
		verified(t, s)
		if st := s.Stats(); st.Damaged != 0 || int(st.Records) != len(there) {
			t.Errorf("Stats: %+v, %d records are there", st, len(there))
		}
		closeStore(t, s)
		rawUpdate(t, dir, func(tx *bolt.Tx) error {
			for err := range tx.Check() {
				t.Errorf("the data file: %v", err)
			}
			return nil
		})
	}
	t.Logf("%d kills, %d acknowledged records, none lost", rounds, len(told))
}

// killOne starts the writer, kills it after a while and collects what it said.
func killOne(t *testing.T, dir string, told map[uint64]bool, logBytes int64) {
	t.Helper()
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), childDir+"="+dir, fmt.Sprint(childLog, "=", logBytes))
	child.Stderr = t.Output()
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	if !lines.Scan() { // it writes: the clock starts
		t.Fatal("the writer said nothing")
	}
	timer := time.AfterFunc(time.Duration(20+rand.IntN(300))*time.Millisecond, func() { child.Process.Kill() })
	defer timer.Stop()
	for more := true; more; more = lines.Scan() {
		word, number, _ := strings.Cut(lines.Text(), " ")
		seq, err := strconv.ParseUint(number, 10, 64)
		if err != nil {
			continue // cut off by the kill
		}
		told[seq] = told[seq] || word == "done"
	}
	_ = child.Wait() // killed
}
