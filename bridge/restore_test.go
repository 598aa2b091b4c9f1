package bridge_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"posthouse/bridge"
	"posthouse/bridge/desk"
	"posthouse/queue"
	"posthouse/queue/boltstore"
)

// backup copies the running gateway's store.
func (w *world) backup() []byte {
	w.t.Helper()
	var out bytes.Buffer
	if err := w.bridge.Checkpoint(w.t.Context()); err != nil {
		w.t.Fatal(err)
	}
	if err := w.store.Backup(&out); err != nil {
		w.t.Fatal(err)
	}
	return out.Bytes()
}

// restore stops the gateway, brings a copy back and starts it again. It returns
// how many deliveries are held.
func (w *world) restore(copy []byte, made time.Time, known bool, paced ...string) int {
	w.t.Helper()
	w.shut()
	path := filepath.Join(w.dir, "queue.db")
	if err := os.Remove(path); err != nil {
		w.t.Fatal(err)
	}
	out, err := boltstore.Unpack(path)
	if err != nil {
		w.t.Fatal(err)
	}
	if _, err := out.Write(copy); err != nil {
		w.t.Fatal(err)
	}
	if err := out.Close(); err != nil {
		w.t.Fatal(err)
	}
	s, err := boltstore.Open(path, boltstore.Options{NoSync: true, MinFree: -1})
	if err != nil {
		w.t.Fatal(err)
	}
	n := bridge.Restoration{Made: made, Paced: paced}
	if known {
		n.Now = time.Now()
	}
	if n.Last, err = s.Last(w.t.Context()); err != nil {
		w.t.Fatal(err)
	}
	if err := s.Skip(w.t.Context(), n.FirstNumber()); err != nil {
		w.t.Fatal(err)
	}
	held, err := bridge.Restored(w.t.Context(), s, n)
	if err != nil {
		w.t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		w.t.Fatal(err)
	}
	w.start()
	return held
}

// Queue restored from an old backup: what went out after it is not sent again
// without review, and nobody is told an end that nobody knows.
func TestRestoredFromAnOldBackup(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.says("valley", "N0QRA-7", "N0QRC-3", "1", "for one who is not there yet")
		if err := w.bridge.Quiet(t.Context(), "hill", ""); err != nil {
			t.Fatal(err)
		}
		w.says("valley", "N0QRA-7", "N0QRB-9", "2", "meet at the bridge")
		made := time.Now()
		copy := w.backup()

		if err := w.bridge.Resume(t.Context(), "hill", ""); err != nil {
			t.Fatal(err)
		}
		f := w.gets("hill", soon)
		w.want(f, "text N0QRA-7>N0QRB-9 meet at the bridge")
		w.ack("hill", f)
		w.gets("valley", soon) // its receipt
		last := w.says("valley", "N0QRA-7", "ALL", "3", "after the backup")
		w.gets("hill", soon)
		w.shut()
		time.Sleep(20 * time.Hour)
		w.start()

		if held := w.restore(copy, made, true); held != 2 {
			t.Errorf("%d are held", held)
		}
		if err := w.bridge.Resume(t.Context(), "hill", ""); err != nil { // quiet came back with it
			t.Fatal(err)
		}
		w.beacon("hill", "N0QRB-9", "N0QRC-3")
		w.silent("hill", 5*time.Hour) // their lifetime of a day is over, the review's is not
		w.silent("valley", time.Minute)
		row, err := w.bridge.Story(t.Context(), "2")
		if err != nil || !strings.Contains(row.Ways[0].Why, "held for the operator: restored, may be out already") {
			t.Errorf("%+v %v", row.Ways, err)
		}

		next := w.says("valley", "N0QRA-7", "ALL", "4", "after the restore")
		w.gets("hill", soon)
		var was, is uint64
		fmt.Sscanf(strings.TrimPrefix(last.ID, gateway+"."), "%d", &was)
		fmt.Sscanf(strings.TrimPrefix(next.ID, gateway+"."), "%d", &is)
		if was == 0 || is < was+1_000_000 {
			t.Errorf("ids %s, then %s", last.ID, next.ID)
		}

		// The operator decides: one goes on, the other is left until it is over.
		if _, err := w.bridge.Order(t.Context(), desk.Order{Do: desk.Release, ID: "1"}); err != nil {
			t.Fatal(err)
		}
		w.beacon("hill", "N0QRC-3")
		w.want(w.gets("hill", soon), "text N0QRA-7>N0QRC-3 010000Z for one who is not there yet")
		w.shut()
		time.Sleep(8 * 24 * time.Hour)
		w.start()
		time.Sleep(time.Minute)
		if r := w.record(gateway + ".2"); r.Outcome != queue.Expired {
			t.Errorf("what nobody reviewed: %s", r.Outcome)
		}
		for len(w.links["valley"].Sent()) > 0 {
			if f := <-w.links["valley"].Sent(); strings.Contains(f.Text, "meet at") {
				t.Errorf("the writer is told an end that nobody knows: %s", show(f))
			}
		}
	})
}

func TestAllThatARestoreHoldsAtOnce(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_RATE=1000/10m"}, func(t *testing.T, w *world) {
		for i := range 300 {
			w.says("valley", fmt.Sprintf("N0QRA-%d", i%15+1), "N0QRB-9", fmt.Sprint(i), fmt.Sprint("text ", i))
		}
		if held := w.restore(w.backup(), time.Now(), true); held != 300 {
			t.Fatalf("%d are held", held)
		}
		if _, err := w.bridge.OrderRestored(t.Context(), desk.Order{Do: desk.Hold, ID: desk.AllRestored}); err == nil {
			t.Error("hold takes all of a restore")
		}
		w.beacon("hill", "N0QRB-9")
		w.silent("hill", time.Hour)
		n, err := w.bridge.OrderRestored(t.Context(), desk.Order{Do: desk.Release, ID: desk.AllRestored, By: "N0QRA"})
		if err != nil || n != 300 {
			t.Fatalf("%d released: %v", n, err)
		}
		w.gets("hill", soon)
		if n, err := w.bridge.OrderRestored(t.Context(), desk.Order{Do: desk.Drop, ID: desk.AllRestored}); err != nil || n != 0 {
			t.Errorf("%d were left: %v", n, err)
		}
	})
}

// After a restore nobody knows what went out in the last hour: nothing but an
// emergency does until it is over.
func TestRestoredAirCountsAsUsed(t *testing.T) {
	for _, known := range []bool{true, false} {
		t.Run(fmt.Sprint("clock known ", known), func(t *testing.T) {
			inWorld(t, []string{"POSTHOUSE_HILL_SF=9", "POSTHOUSE_HILL_BW=125", "POSTHOUSE_HILL_CR=4/5"}, func(t *testing.T, w *world) {
				made := time.Now()
				copy := w.backup()
				w.shut()
				time.Sleep(24 * time.Hour)
				w.start()
				w.restore(copy, made, known, "hill")
				w.says("valley", "N0QRA-7", "ALL", "1", "routine")
				w.silent("hill", 30*time.Minute)
				w.restart() // not even a restart makes it forgotten
				w.silent("hill", 29*time.Minute)
				w.says("valley", "N0QRA-7", "ALL", "2", "EMERGENCY need a doctor")
				w.want(w.gets("hill", soon), "text N0QRA-7>ALL EMERGENCY need a doctor")
				f := w.gets("hill", 65*time.Minute)
				if !strings.HasSuffix(f.Text, "routine") {
					t.Errorf("got %s", show(f))
				}
			})
		})
	}
}
