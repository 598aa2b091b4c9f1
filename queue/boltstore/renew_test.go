package boltstore

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/queue"
)

// used is the file that a store has open, and what bbolt remembers of it.
func used(t *testing.T, s *Store) (f *file, pages int64) {
	t.Helper()
	err := s.alone(t.Context(), func() error {
		st := s.file.db.Stats()
		f, pages = s.file, st.TxStats.GetPageCount()
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return f, pages
}

const fewPages = 1100

// fillPages writes more than fewPages, and more than a file has whose list of free pages
// is never written.
func fillPages(t *testing.T, s *Store) {
	t.Helper()
	long := strings.Repeat("the road is open ", 200)
	for n := range 20 {
		ops := make([]queue.Op, 100)
		for i := range ops {
			ops[i].New = sample(100*n + i)
			ops[i].New.Message.Text = long
		}
		if _, err := s.Apply(t.Context(), ops...); err != nil {
			t.Fatal(err)
		}
	}
}

// TestAWornFileIsOpenedAnew: in a moment without traffic, and the store is as before.
func TestAWornFileIsOpenedAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		s := openIn(t, dir, Options{NoSync: true, worn: fewPages})
		first, _ := used(t, s)
		fillPages(t, s)
		if f, pages := used(t, s); f != first || pages <= fewPages {
			t.Fatalf("opened anew: %v, with %d pages written, before the traffic ended", f != first, pages)
		}
		was := all(t, s)
		time.Sleep(2 * renewCalm)
		second, pages := used(t, s)
		if second == first || pages > 0 {
			t.Fatalf("opened anew: %v, %d pages remembered", second != first, pages)
		}
		sameRecords(t, all(t, s), was)
		verified(t, s)
		applyEach(t, s, 20_000, 10)
		finishAll(t, s, 1, 100)
		time.Sleep(2 * time.Minute)
		if f, _ := used(t, s); f != second {
			t.Error("opened anew without a reason")
		}
		was = all(t, s)
		closeStore(t, s)
		s = openIn(t, dir, Options{NoSync: true})
		defer closeStore(t, s)
		sameRecords(t, all(t, s), was)
		verified(t, s)
	})
}

// slowReader holds a backup up until it is closed.
type slowReader chan struct{}

func (r slowReader) Write(p []byte) (int, error) {
	<-r
	return len(p), nil
}

// A backup reads pages that a file opened beside it would take for free.
func TestAWornFileThatIsReadStaysOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := openIn(t, t.TempDir(), Options{NoSync: true, worn: fewPages})
		defer closeStore(t, s)
		first, _ := used(t, s)
		fillPages(t, s)
		reader := make(slowReader)
		done := make(chan error)
		go func() { done <- s.Backup(reader) }()
		time.Sleep(10 * time.Minute)
		if f, _ := used(t, s); f != first {
			t.Error("opened anew beside a backup")
		}
		close(reader)
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * renewAgain)
		if f, _ := used(t, s); f == first {
			t.Error("still open after the backup")
		}
		verified(t, s)
	})
}

// Whoever removes the file of a running posthouse, or puts another in its place,
// does not make it lose what it has.
func TestAWornFileWithAnotherInItsPlaceStaysOpen(t *testing.T) {
	for name, spoil := range map[string]func(t *testing.T, path string){
		"removed": func(t *testing.T, path string) {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
		},
		"another": func(t *testing.T, path string) {
			if err := os.Rename(path, path+".old"); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, nil, 0o600); err != nil {
				t.Fatal(err)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				dir := t.TempDir()
				var said strings.Builder
				s, err := Open(filepath.Join(dir, "queue.db"), Options{NoSync: true, MinFree: -1, LogBytes: 1 << 19, worn: fewPages, Log: textLog(&said)})
				if err != nil {
					t.Fatal(err)
				}
				defer closeStore(t, s)
				first, _ := used(t, s)
				fillPages(t, s)
				was := all(t, s)
				spoil(t, filepath.Join(dir, "queue.db"))
				time.Sleep(2 * renewAgain)
				if f, _ := used(t, s); f != first {
					t.Fatal("opened anew")
				}
				if !strings.Contains(said.String(), "goes on as it is") {
					t.Errorf("the log does not say so: %s", said.String())
				}
				sameRecords(t, all(t, s), was)
				if _, err := s.Apply(t.Context(), queue.Op{Put: map[string][]byte{"still": []byte("written")}}); err != nil {
					t.Error(err)
				}
				settle(t, s)
				verified(t, s)
			})
		})
	}
}
